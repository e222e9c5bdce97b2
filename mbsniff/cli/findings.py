"""`mbsniff findings`: a finding's code in, what it means, what decides it and what to do out; without one, all."""

from __future__ import annotations

import click

from mbsniff.cli.diagnose import page_width


@click.command("findings")
@click.argument("code", required=False)
@click.option("--format", "form", type=click.Choice(("text", "markdown")), default="text", show_default=True)
def command(code: str | None, form: str) -> int:
    """Explain the findings of `mbsniff diagnose`.

    \b
    mbsniff findings                       all codes, a sentence each
    mbsniff findings CODE                  one in full: what decides it, what it is not, what to do
    mbsniff findings --format markdown     all in full, as a page

    Exit status: 0 done, 2 no such code.
    """
    from mbsniff.diagnose.catalogue import CATALOGUE
    from mbsniff.report.findings_page import findings_markdown, findings_text

    kinds = CATALOGUE if code is None else tuple(k for k in CATALOGUE if k.code == code)
    if not kinds:
        raise click.UsageError(_unknown(code or "", [k.code for k in CATALOGUE]))
    click.echo(
        findings_markdown(kinds) if form == "markdown" else findings_text(kinds, page_width()), nl=False
    )
    return 0


def _unknown(code: str, known: list[str]) -> str:
    """A code that is none, and the nearest that is."""
    import difflib

    from mbsniff.errors import one_line

    near = difflib.get_close_matches(code, known, 1)
    hint = f' Did you mean "{near[0]}"?' if near else ' "mbsniff findings" lists all.'
    return f'There is no finding "{one_line(code)}".{hint}'
