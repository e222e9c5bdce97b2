"""`mbsniff findings`: a finding's or cause's code in, what decides it and what to do out; without one, all."""

from __future__ import annotations

import click

from mbsniff.cli.diagnose import page_width


@click.command("findings")
@click.argument("code", required=False)
@click.option("--format", "form", type=click.Choice(("text", "markdown")), default="text", show_default=True)
def command(code: str | None, form: str) -> int:
    """Explain the findings of `mbsniff diagnose`, and the causes that it names.

    \b
    mbsniff findings                       all codes, a sentence each; then all causes
    mbsniff findings CODE                  a finding, cause or piece of evidence in full: what decides it, what
                                           it is not, what to do
    mbsniff findings --format markdown     all in full, as a page

    Exit status: 0 done, 2 no such code.
    """
    click.echo(_page(code) if form == "markdown" else _text(code), nl=False)
    return 0


def _page(code: str | None) -> str:
    from mbsniff.diagnose.catalogue import CATALOGUE
    from mbsniff.report.causes_page import causes_markdown
    from mbsniff.report.findings_page import findings_markdown

    if code is not None:
        kinds = [kind for kind in CATALOGUE if kind.code == code]
        return findings_markdown(kinds) if kinds else _text(code)
    return findings_markdown(CATALOGUE) + "\n" + causes_markdown()


def _text(code: str | None) -> str:
    from mbsniff.diagnose.catalogue import CATALOGUE
    from mbsniff.report.causes_page import cause_text, causes_text, codes
    from mbsniff.report.findings_page import findings_text

    if code is None:
        return f"{findings_text(CATALOGUE, page_width())}\nCauses:\n\n{causes_text(page_width())}"
    kinds = [kind for kind in CATALOGUE if kind.code == code]
    text = findings_text(kinds, page_width()) if kinds else cause_text(code, page_width())
    if not text:
        raise click.UsageError(_unknown(code, [*(kind.code for kind in CATALOGUE), *codes()]))
    return text


def _unknown(code: str, known: list[str]) -> str:
    """A code that is none, and the nearest that is."""
    import difflib

    from mbsniff.errors import one_line

    near = difflib.get_close_matches(code, known, 1)
    hint = f' Did you mean "{near[0]}"?' if near else ' "mbsniff findings" lists all.'
    return f'There is no finding or cause "{one_line(code)}".{hint}'
