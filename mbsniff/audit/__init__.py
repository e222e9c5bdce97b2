"""A diagnosis, its site and a second look in; each requirement's verdict, and all that was written, out."""

from mbsniff.audit.audit import Audit, audit
from mbsniff.audit.requirements import REQUIREMENTS, Requirement
from mbsniff.audit.verdict import Outcome, Result, Verdict
from mbsniff.audit.written import Written

__all__ = ["REQUIREMENTS", "Audit", "Outcome", "Requirement", "Result", "Verdict", "Written", "audit"]
