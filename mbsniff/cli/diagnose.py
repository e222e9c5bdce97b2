"""`mbsniff diagnose`: captures and limits in, the diagnosis on standard output."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING

import click

from mbsniff.cli.progress import Progress
from mbsniff.errors import SiteError

if TYPE_CHECKING:  # importing these takes longer than a wrong call should
    from mbsniff.exchange import Exchange, RecordingFacts
    from mbsniff.measure import Figures
    from mbsniff.site import Site

FORMATS = ("table", "json", "csv", "markdown")
WIDE = 120


@click.command("diagnose")
@click.argument("captures", nargs=-1, required=True, metavar="CAPTURE...")
@click.option("--site", "site_path", metavar="FILE", help="Site file (TOML): devices, masters, limits.")
@click.option(
    "--watchdog", metavar="TIME", help="Watchdog timeout where the site file gives none, as 3s or 250ms."
)
@click.option("--max-block", type=int, metavar="N", help="Most registers in one read, likewise.")
@click.option("--max-reads", type=float, metavar="N", help="Most reads a second at an endpoint, likewise.")
@click.option("--port", "ports", type=click.IntRange(1, 65535), multiple=True, metavar="N",
              help="Server port, instead of 502; may be given several times.")  # fmt: skip
@click.option("--format", "form", type=click.Choice(FORMATS), default="table", show_default=True)
def command(
    captures: tuple[str, ...],
    site_path: str | None,
    watchdog: str | None,
    max_block: int | None,
    max_reads: float | None,
    ports: tuple[int, ...],
    form: str,
) -> int:
    """Say which device's watchdog was due, when and why, and how near the others are.

    CAPTURE: pcap or pcapng, plain or gzip-compressed; "-" is standard input. Several are put in time order.
    Exit status: 0 nothing wrong, 1 faults found, 2 bad input, 3 stopped early.
    """
    from mbsniff import report
    from mbsniff.diagnose import diagnose
    from mbsniff.site import Site, load_site, parse_duration_ns

    site = load_site(site_path) if site_path else Site.empty()
    try:
        timeout_ns = parse_duration_ns(watchdog) if watchdog is not None else None
    except SiteError as error:
        raise click.BadParameter(str(error), param_hint="--watchdog") from None
    site = site.with_options(timeout_ns, max_block, max_reads)
    exchange, facts, figures = _read(captures, site, ports or (502,))
    diagnosis = diagnose(exchange, facts, figures, site)
    if form == "table":
        click.echo(report.diagnosis_page(diagnosis, _width()), nl=False)
    else:
        write = {
            "json": report.diagnosis_json,
            "csv": report.diagnosis_csv,
            "markdown": report.diagnosis_markdown,
        }[form]
        click.echo(write(diagnosis), nl=False)
    return 1 if diagnosis.has_fault else 0


def _read(
    captures: tuple[str, ...], site: Site, ports: tuple[int, ...]
) -> tuple[Exchange, RecordingFacts, Figures]:
    from mbsniff.capture import open_recording
    from mbsniff.compiled import kernels_ready, on_compiling
    from mbsniff.exchange import read_exchange
    from mbsniff.measure import measure

    with Progress() as progress:
        on_compiling(progress.compiling)
        with open_recording(captures, progress=progress.read) as recording:
            compiled = not recording.small
            if compiled and not kernels_ready():
                progress.say("preparing the fast loops; this happens once and takes about half a minute")
            exchange, facts = read_exchange(recording, compiled=compiled, ports=ports)
        return exchange, facts, measure(exchange, facts, site, compiled=compiled)


def _width() -> int:
    return shutil.get_terminal_size((WIDE, 24)).columns if sys.stdout.isatty() else WIDE
