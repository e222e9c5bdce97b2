"""`mbsniff plan`: captures, or a site file's registers, in, a poll list on standard output."""

from __future__ import annotations

import click

from mbsniff.cli.diagnose import page_width
from mbsniff.cli.reading import Inputs, takes_inputs

FORMATS = ("table", "json", "csv", "toml")


@click.command("plan")
@takes_inputs(required=False)
@click.option("--through", metavar="MASTER", help="The one master that is to read for all: name or address.")
@click.option(
    "--keep",
    multiple=True,
    metavar="MASTER",
    help="A master whose periods stay, whatever the limits; where not given, those that write to the device.",
)
@click.option(
    "--mean-only",
    is_flag=True,
    help="Hold the reads a second against the mean over 10 s only, not against the busiest second.",
)
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(inputs: Inputs, through: str | None, keep: tuple[str, ...], mean_only: bool, form: str) -> int:
    """Make a poll list that reads the same registers in the fewest reads, within what each device tolerates.

    \b
    mbsniff plan night.pcapng --site plant.toml    what is read now, and the period_s of the site file's registers
    mbsniff plan --site plant.toml                 only the registers of the site file that have a period_s

    It only makes the list and sends nothing; entering it into a controller is for qualified people. Exit status: 0 all
    as wished, 1 a limit stands in a wish's way, 2 bad input, 3 stopped early.
    """  # fmt: skip
    if not inputs.captures and inputs.site_path is None:
        raise click.UsageError("Give captures, or a site file with registers that have a period_s.")
    from mbsniff.plan import plan_polls

    site = inputs.site()
    masters = [through, *keep] if through is not None else list(keep)
    for master in masters:
        _check_master(master, site.master_names, [m.group for m in site.masters])
    figures = inputs.figures(site)[2] if inputs.captures else None
    plan = plan_polls(figures, site, through=through, keep=keep, mean_only=mean_only)
    if form == "table":
        from mbsniff.report.plan_page import plan_page

        click.echo(plan_page(plan, page_width()), nl=False)
    elif form == "json":
        from mbsniff.report.plan_json import plan_json

        click.echo(plan_json(plan), nl=False)
    else:
        from mbsniff.report import plan_sheets

        click.echo({"csv": plan_sheets.plan_csv, "toml": plan_sheets.plan_toml}[form](plan), nl=False)
    return 0 if plan.as_wished else 1


def _check_master(master: str, names: tuple[str, ...], groups: list[str | None]) -> None:
    """Refuse what is neither a declared master, nor a group of them, nor an address."""
    from ipaddress import ip_address

    if master in names or master in groups:
        return
    try:
        ip_address(master)
    except ValueError:
        known = f" Known: {', '.join(names)}." if names else " The site file declares none."
        raise click.BadParameter(f'"{master}" is no known master and no address.{known}') from None
