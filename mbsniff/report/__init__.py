"""A diagnosis or a comparison in, text out: terminal table, JSON, CSV, Markdown. Nothing is computed here."""

from mbsniff.report.as_json import diagnosis_json
from mbsniff.report.compare_json import comparison_json
from mbsniff.report.compare_sheets import comparison_csv, comparison_markdown
from mbsniff.report.compare_table import comparison_page
from mbsniff.report.sheets import diagnosis_csv, diagnosis_markdown
from mbsniff.report.table import diagnosis_page

__all__ = [
    "comparison_csv",
    "comparison_json",
    "comparison_markdown",
    "comparison_page",
    "diagnosis_csv",
    "diagnosis_json",
    "diagnosis_markdown",
    "diagnosis_page",
]
