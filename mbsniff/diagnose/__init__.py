"""Figures, link events and a site in, findings and verdicts out (kinds of findings: `catalogue`)."""

from mbsniff.diagnose.diagnosis import diagnose
from mbsniff.diagnose.finding import Diagnosis, Evidence, Finding, Verdict

__all__ = ["Diagnosis", "Evidence", "Finding", "Verdict", "diagnose"]
