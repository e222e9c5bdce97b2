"""`mbsniff audit`: captures and a site file in, each requirement's verdict out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mbsniff.cli.diagnose import page_width
from mbsniff.cli.reading import Inputs, hardware_of, takes_inputs

if TYPE_CHECKING:  # importing it takes longer than a wrong call should
    from mbsniff.audit import Audit

FORMATS = ("table", "markdown", "csv", "json", "junit")


@click.command("audit")
@takes_inputs()
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(inputs: Inputs, form: str) -> int:
    """Hold recordings against every requirement that a site file states.

    \b
    mbsniff audit night.pcapng --site plant.toml                   met, not met, or not to be told from it
    mbsniff audit night.pcapng --site plant.toml --format junit    for automation

    What the site file does not state is not judged. Exit status: 0 all met as far as can be told, 1 a requirement is
    not met, 2 bad input, 3 stopped early. Who wrote what: mbsniff writes.
    """  # fmt: skip
    from mbsniff.audit import audit

    made = audit(inputs.diagnosis(), inputs.look(), hardware_of(inputs.captures))
    click.echo(_text(made, form), nl=False)
    return 0 if made.is_met else 1


def _text(made: Audit, form: str) -> str:
    if form == "table":
        from mbsniff.report.audit_page import audit_page

        return audit_page(made, page_width())
    if form == "json":
        from mbsniff.report.audit_json import audit_json

        return audit_json(made)
    if form == "junit":
        from mbsniff.report.audit_junit import audit_junit

        return audit_junit(made)
    from mbsniff.report import audit_sheets as sheets

    return sheets.audit_csv(made) if form == "csv" else sheets.audit_markdown(made)
