"""`mbsniff writes`: captures in, who wrote what to which register, and what is wrong with it, out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mbsniff.cli.diagnose import page_width
from mbsniff.cli.reading import Inputs, takes_inputs
from mbsniff.errors import one_line

if TYPE_CHECKING:  # importing it takes longer than a wrong call should
    from mbsniff.diagnose import Diagnosis
    from mbsniff.writes import Survey

FORMATS = ("table", "markdown", "csv", "json")


@click.command("writes")
@takes_inputs(limits=False)
@click.option("--device", metavar="DEVICE", help="Only this one: name in the site file, or address.")
@click.option(
    "--register", metavar="REGISTER", help="Only this one: name, or address as on the wire, from 0."
)
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(inputs: Inputs, device: str | None, register: str | None, form: str) -> int:
    """Tell who wrote what to which register, how the setpoints went, and what is wrong with it.

    \b
    mbsniff writes night.pcapng --site plant.toml                         a row a register, then judgements
    mbsniff writes night.pcapng --site plant.toml --register setpoint     one register of every device
    mbsniff writes night.pcapng --site plant.toml --format csv            every single write, for a chart

    Exit status: 0 no fault, 1 a fault (as a value outside its range, or two writers), 2 bad input, 3 stopped early.
    """  # fmt: skip
    from mbsniff.writes import survey_writes

    diagnosis = inputs.diagnosis()
    _check_choice(diagnosis, device, register)
    survey = survey_writes(diagnosis, inputs.look(), device=device, register=register)
    click.echo(_text(survey, form), nl=False)
    return 1 if survey.has_fault else 0


def _check_choice(diagnosis: Diagnosis, device: str | None, register: str | None) -> None:
    """Refuse a device neither recorded nor declared, and a register that is neither an address nor declared."""
    declared = diagnosis.site.devices
    seen = [(d.name or d.key, d.key, d.address) for d in diagnosis.figures.devices]
    known = (
        {text for texts in seen for text in texts}
        | {d.name for d in declared}
        | {d.address for d in declared}
    )
    if device is not None and device not in known:
        raise _refused("device", device, [texts[0] for texts in seen], "--device")
    names = [r.name for d in declared for r in d.registers if r.name]
    if register is not None and register not in names and not _is_address(register):
        raise _refused("register or address from 0 to 65535", register, names, "--register")


def _is_address(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= 5 and int(text) <= 0xFFFF


def _refused(what: str, found: str, known: list[str], option: str) -> click.BadParameter:
    from mbsniff.diagnose.wording import listed

    shown = listed([one_line(name) for name in dict.fromkeys(known)], 8)
    more = f" Known: {shown}." if shown else ""
    return click.BadParameter(f'"{one_line(found)}" is no known {what}.{more}', param_hint=option)


def _text(survey: Survey, form: str) -> str:
    if form == "table":
        from mbsniff.report.writes_page import writes_page

        return writes_page(survey, page_width())
    if form == "json":
        from mbsniff.report.writes_json import writes_json

        return writes_json(survey)
    from mbsniff.report import writes_sheets

    return writes_sheets.writes_csv(survey) if form == "csv" else writes_sheets.writes_markdown(survey)
