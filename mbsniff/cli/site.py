"""`mbsniff site`: captures in, a draft of their site file out; or a site file in, what it says and leaves open."""

from __future__ import annotations

import click

from mbsniff.cli.diagnose import page_width
from mbsniff.cli.reading import hardware_of, port_option, read_figures


@click.command("site")
@click.argument("captures", nargs=-1, metavar="[CAPTURE...]")
@click.option(
    "--check", "check", metavar="FILE", help="Check a site file and say what it states and leaves open."
)
@click.option(
    "--keys", "keys", is_flag=True, help="Print all keys of a site file, with their meaning (Markdown)."
)
@port_option
def command(captures: tuple[str, ...], check: str | None, keys: bool, ports: tuple[int, ...]) -> int:
    """Draft a site file from recordings, or check one.

    \b
    mbsniff site night.pcapng > plant.toml    a draft: devices, masters, registers as seen
    mbsniff site --check plant.toml           is it right, and what is still open?
    mbsniff site --keys                       all keys

    In a draft everything that a recording cannot show, limits above all, is left open, with a note on where to
    look it up. Exit status: 0 done, 2 bad input, 3 stopped early.
    """
    if (len(captures) > 0) + (check is not None) + keys != 1:
        raise click.UsageError("Give captures to draft from, or --check FILE, or --keys.")
    if keys:
        from mbsniff.report.site_keys import keys_page

        click.echo(keys_page(), nl=False)
    elif check is not None:
        from mbsniff.report.site_page import site_page
        from mbsniff.site import load_site

        click.echo(site_page(load_site(check), page_width()), nl=False)
    else:
        click.echo(_drafted(captures, ports), nl=False)
    return 0


def _drafted(captures: tuple[str, ...], ports: tuple[int, ...]) -> str:
    from mbsniff.draft import draft, observe
    from mbsniff.site import Site

    exchange, facts, figures = read_figures(captures, Site.empty(), ports)
    return draft(observe(exchange, figures), figures, facts, hardware_of(captures))
