"""A diagnosis in, text out: terminal table, JSON, CSV, Markdown. Nothing is computed here."""

from mbsniff.report.as_json import diagnosis_json
from mbsniff.report.sheets import diagnosis_csv, diagnosis_markdown
from mbsniff.report.table import diagnosis_page

__all__ = ["diagnosis_csv", "diagnosis_json", "diagnosis_markdown", "diagnosis_page"]
