"""An Audit in, JUnit XML out, so that automation shows it: a test case a requirement and device.

The format has no standard, but published schemas; this keeps to what they have in common: testsuites; testsuite with
properties, test cases, system-out and system-err in this order; in a testcase failure (message, type) or skipped.
"""

from __future__ import annotations

from xml.etree import ElementTree as ET

from mbsniff.audit import REQUIREMENTS, Audit, Result
from mbsniff.diagnose.wording import moment
from mbsniff.errors import one_line
from mbsniff.report.audit_cells import called

_SECONDS = slice(0, 19)  # the schemas' timestamp has no fraction and no time zone


def audit_junit(audit: Audit) -> str:
    """A suite for each requirement; not met is a failure, cannot be told is skipped."""
    suites = [
        (r.code, r.title, [result for result in audit.results if result.code == r.code]) for r in REQUIREMENTS
    ]
    root = ET.Element("testsuites")
    for number, (code, title, results) in enumerate(each for each in suites if each[2]):
        begins = moment(audit.diagnosis.facts.starts_ns or 0)[_SECONDS]
        suite = ET.SubElement(
            root, "testsuite",
            {"name": title, "package": f"mbsniff.audit.{code}", "id": f"{number}", "hostname": "localhost",
             "timestamp": begins, **_counts(results)},
        )  # fmt: skip
        ET.SubElement(suite, "properties")
        for result in results:
            _case(suite, result)
        ET.SubElement(suite, "system-out")  # one of the schemas asks for both
        ET.SubElement(suite, "system-err")
    ET.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ET.tostring(root, encoding="unicode")}\n'


def _counts(results: list[Result]) -> dict[str, str]:
    verdicts = [result.verdict for result in results]
    return {
        "tests": f"{len(results)}",
        "failures": f"{verdicts.count('not met')}",
        "errors": "0",
        "skipped": f"{verdicts.count('cannot be told')}",
        "time": "0",
    }


def _case(suite: ET.Element, result: Result) -> None:
    where = called(result.device, result.name)
    case = ET.SubElement(
        suite, "testcase", {"name": where, "classname": f"mbsniff.audit.{result.code}", "time": "0"}
    )
    told = f"measured {result.outcome.measured}, limit {result.limit}"
    why = one_line(f"{result.outcome.why}; {told}")
    if result.verdict == "not met":
        failure = ET.SubElement(case, "failure", {"message": why, "type": result.code})
        failure.text = "\n".join(one_line(f"{e.file} frame {e.frame}") for e in result.outcome.evidence)
    elif result.verdict == "cannot be told":
        ET.SubElement(case, "skipped", {"message": why})
