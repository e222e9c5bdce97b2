"""`mbsniff compare`: two recordings and limits in, what changed between them on standard output."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mbsniff.cli.diagnose import FORMATS, page_width
from mbsniff.cli.reading import limit_options, port_option, read_figures, site_of, site_option

if TYPE_CHECKING:
    from mbsniff.compare import Comparison
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
    from mbsniff.compare import compare

    if before == after == "-":
        raise click.UsageError("Only one of BEFORE and AFTER can be standard input.")
    limits = (watchdog, max_block, max_reads)
    site = site_of(site_path, *limits)
    earlier = site_of(site_before, *limits) if site_before else site
    comparison = compare(_diagnosed(before, earlier, ports), _diagnosed(after, site, ports))
    click.echo(_text(comparison, form, every), nl=False)
    return 1 if comparison.fault_got_worse else 0


def _text(comparison: Comparison, form: str, every: bool) -> str:
    if form == "table":
        from mbsniff.report.compare_table import comparison_page

        return comparison_page(comparison, page_width(), every=every)
    if form == "json":
        from mbsniff.report.compare_json import comparison_json

        return comparison_json(comparison)
    from mbsniff.report import compare_sheets as sheets

    if form == "csv":
        return sheets.comparison_csv(comparison)
    return sheets.comparison_markdown(comparison, every=every)


def _diagnosed(capture: str, site: Site, ports: tuple[int, ...]) -> Diagnosis:
    from mbsniff.diagnose import diagnose

    exchange, facts, figures = read_figures((capture,), site, ports)
    return diagnose(exchange, facts, figures, site)
