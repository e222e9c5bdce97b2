"""`mbsniff diagnose`: captures and limits in, the diagnosis on standard output."""

from __future__ import annotations

import shutil
import sys

import click

from mbsniff.cli.reading import (
    clock_option,
    limit_options,
    look_of,
    port_option,
    read_figures,
    site_of,
    site_option,
)

FORMATS = ("table", "json", "csv", "markdown")
WIDE = 120


@click.command("diagnose")
@click.argument("captures", nargs=-1, required=True, metavar="CAPTURE...")
@site_option
@limit_options
@port_option
@clock_option
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(
    captures: tuple[str, ...],
    site_path: str | None,
    watchdog: str | None,
    max_block: int | None,
    max_reads: float | None,
    ports: tuple[int, ...],
    clock_offsets: tuple[str, ...],
    form: str,
) -> int:
    """Say which device's watchdog was due, when and why, and how near the others are.

    CAPTURE: pcap or pcapng, plain or packed (gzip, xz, bzip2, Zstandard); a folder or a quoted pattern of such
    files; "-" is standard input. Several are put in time order.
    Exit status: 0 nothing wrong, 1 faults found, 2 bad input, 3 stopped early.
    """
    from mbsniff import report
    from mbsniff.diagnose import diagnose

    site = site_of(site_path, watchdog, max_block, max_reads)
    exchange, facts, figures = read_figures(captures, site, ports, clock_offsets)
    diagnosis = diagnose(exchange, facts, figures, site, look_of(captures, clock_offsets))
    if form == "table":
        click.echo(report.diagnosis_page(diagnosis, page_width()), nl=False)
    else:
        write = {
            "json": report.diagnosis_json,
            "csv": report.diagnosis_csv,
            "markdown": report.diagnosis_markdown,
        }[form]
        click.echo(write(diagnosis), nl=False)
    return 1 if diagnosis.has_fault else 0


def page_width() -> int:
    """Columns of the terminal; elsewhere, those of a wide page."""
    return shutil.get_terminal_size((WIDE, 24)).columns if sys.stdout.isatty() else WIDE
