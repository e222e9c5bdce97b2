"""`mbsniff diagnose`: captures and limits in, the diagnosis on standard output."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from mbsniff.cli.reading import Inputs, takes_inputs

if TYPE_CHECKING:  # importing it takes longer than a wrong call should
    from mbsniff.diagnose import Diagnosis

FORMATS = ("table", "json", "csv", "markdown")
WIDE = 120


@click.command("diagnose")
@takes_inputs()
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(inputs: Inputs, form: str) -> int:
    """Say which device's watchdog was due, when and why, and how near the others are.

    CAPTURE: pcap or pcapng, plain or packed (gzip, xz, bzip2, Zstandard); a folder or a quoted pattern of such
    files; "-" is standard input. Several are put in time order.
    Exit status: 0 nothing wrong, 1 faults found, 2 bad input, 3 stopped early.
    """
    diagnosis = inputs.diagnosis(inputs.look())
    click.echo(_text(diagnosis, form), nl=False)
    return 1 if diagnosis.has_fault else 0


def _text(diagnosis: Diagnosis, form: str) -> str:
    if form == "table":
        from mbsniff.report.table import diagnosis_page

        return diagnosis_page(diagnosis, page_width())
    if form == "json":
        from mbsniff.report.as_json import diagnosis_json

        return diagnosis_json(diagnosis)
    from mbsniff.report import sheets

    return sheets.diagnosis_csv(diagnosis) if form == "csv" else sheets.diagnosis_markdown(diagnosis)


def page_width() -> int:
    """Columns of the terminal; elsewhere, those of a wide page."""
    if not sys.stdout.isatty():
        return WIDE
    import shutil  # with all packings that it knows

    return shutil.get_terminal_size((WIDE, 24)).columns
