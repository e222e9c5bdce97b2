"""`mbsniff compare`: two recordings and limits in, what changed between them on standard output."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mbsniff.cli.diagnose import FORMATS, page_width
from mbsniff.cli.reading import limit_options, port_option, read_figures, site_of, site_option

if TYPE_CHECKING:
    from mbsniff.diagnose import Diagnosis
    from mbsniff.site import Site


@click.command("compare")
@click.argument("before")
@click.argument("after")
@site_option
@click.option("--site-before", metavar="FILE", help="Site file that held for BEFORE, where it is another.")
@limit_options
@port_option
@click.option("--all", "every", is_flag=True, help="Print every figure, not only those that stand out.")
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(
    before: str,
    after: str,
    site_path: str | None,
    site_before: str | None,
    watchdog: str | None,
    max_block: int | None,
    max_reads: float | None,
    ports: tuple[int, ...],
    every: bool,
    form: str,
) -> int:
    """Say what changed between two recordings, and whether it is more than variation.

    BEFORE, AFTER: a capture each, as for diagnose. Devices are matched by site name, else by address. Exit status:
    0 no fault is new or worse, 1 one is, 2 bad input, 3 stopped early.
    """
    from mbsniff import report
    from mbsniff.compare import compare

    if before == after == "-":
        raise click.UsageError("Only one of BEFORE and AFTER can be standard input.")
    limits = (watchdog, max_block, max_reads)
    site = site_of(site_path, *limits)
    earlier = site_of(site_before, *limits) if site_before else site
    comparison = compare(_diagnosed(before, earlier, ports), _diagnosed(after, site, ports))
    if form == "table":
        click.echo(report.comparison_page(comparison, page_width(), every=every), nl=False)
    elif form == "markdown":
        click.echo(report.comparison_markdown(comparison, every=every), nl=False)
    else:
        write = {"json": report.comparison_json, "csv": report.comparison_csv}[form]
        click.echo(write(comparison), nl=False)
    return 1 if comparison.fault_got_worse else 0


def _diagnosed(capture: str, site: Site, ports: tuple[int, ...]) -> Diagnosis:
    from mbsniff.diagnose import diagnose

    exchange, facts, figures = read_figures((capture,), site, ports)
    return diagnose(exchange, facts, figures, site)
