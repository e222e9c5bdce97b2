"""`mbsniff export`: captures in, every transaction, or every event, a row each, out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from mbsniff.cli.reading import clock_option, port_option, read_transactions, site_of, site_option
from mbsniff.errors import MbsniffError

FORMATS = ("csv", "jsonl")


@click.command("export")
@click.argument("captures", nargs=-1, required=True, metavar="CAPTURE...")
@site_option
@click.option(
    "--events", is_flag=True, help="What happened beside transactions: connections, hosts, network, recorder."
)
@port_option
@clock_option
@click.option("--format", "form", type=click.Choice(FORMATS), default="csv", show_default=True)
@click.option("--output", metavar="FILE", help="Write here, instead of to standard output.")
def command(
    captures: tuple[str, ...],
    site_path: str | None,
    events: bool,
    ports: tuple[int, ...],
    clock_offsets: tuple[str, ...],
    form: str,
    output: str | None,
) -> int:
    """Write every transaction, in time order, for other programs: who asked what, and when which reply came.

    \b
    mbsniff export night.pcapng --site plant.toml > night.csv             a row a request and its reply
    mbsniff export night.pcapng --events --format jsonl                   what else happened, an object a line
    mbsniff export night.pcapng --output night.csv

    Exit status: 0 done, 2 bad input, 3 stopped early.
    """  # fmt: skip
    from mbsniff.report import export_events, export_transactions
    from mbsniff.report.export_text import TEXTS

    _refuse_capture(captures, output)
    site = site_of(site_path)
    exchange, facts = read_transactions(captures, ports, clock_offsets)
    if events:
        pieces = TEXTS[form](export_events.FIELDS, export_events.event_rows(exchange, facts, site))
    else:
        rows = export_transactions.transaction_rows(exchange, facts, site)
        pieces = TEXTS[form](export_transactions.FIELDS, rows)
    _write(pieces, output)
    return 0


def _refuse_capture(captures: tuple[str, ...], output: str | None) -> None:
    """Never write over what is read."""
    if output is None or not Path(output).exists():
        return
    if any(Path(name).exists() and Path(name).samefile(output) for name in captures):
        raise MbsniffError("is a capture that is read", file=output, hint="Name another file for --output.")


def _write(pieces: Iterator[str], output: str | None) -> None:
    if output is None:
        for piece in pieces:
            click.echo(piece, nl=False)
        return
    try:
        with Path(output).open("w", encoding="utf-8", newline="") as file:
            file.writelines(pieces)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise MbsniffError(what, file=output, hint="Name a file in a folder that may be written.") from None
