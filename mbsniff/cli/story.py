"""`mbsniff story`: captures and a question in, what happened around one silence or moment out."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mbsniff.cli.diagnose import page_width
from mbsniff.cli.reading import Inputs, takes_inputs

if TYPE_CHECKING:  # importing it takes longer than a wrong call should
    from mbsniff.diagnose import Diagnosis
    from mbsniff.exchange import Look
    from mbsniff.story import Ask, Story, Times

FORMATS = ("text", "markdown", "json")


@click.command("story")
@takes_inputs()
@click.option(
    "--at", metavar="TIME", help='As an alarm list gives it: "02:13", "02:13:05", "2026-03-01 02:13".'
)
@click.option("--device", metavar="DEVICE", help="Name in the site file, or address.")
@click.option("--incident", type=click.IntRange(1), metavar="N", help="The incident that diagnose numbers N.")
@click.option(
    "--timezone",
    metavar="ZONE",
    help='Of --at and of the output: "Europe/Vienna", "UTC", "+02:00"; else local time.',
)
@click.option(
    "--drill", "is_drill", is_flag=True, help="The record of an acceptance drill: an outage on purpose."
)
@click.option("--all", "everything", is_flag=True, help="Everything, one by one, instead of one screen.")
@click.option("--format", "form", type=click.Choice(FORMATS), default="text", show_default=True)
def command(
    inputs: Inputs,
    at: str | None,
    device: str | None,
    incident: int | None,
    timezone: str | None,
    is_drill: bool,
    everything: bool,
    form: str,
) -> int:
    """Tell what happened around a finding or a moment, in time order, and why.

    \b
    mbsniff story night.pcapng --site plant.toml                                the worst silence
    mbsniff story night.pcapng --site plant.toml --at 02:13 --device "zone 3"   as the alarm list says
    mbsniff story night.pcapng --site plant.toml --incident 2 --all             everything about the second incident
    mbsniff story drill.pcapng --site plant.toml --drill --device "zone 3"      the record of an outage on purpose

    From the last healthy exchange to the first healthy one after it. Exit status: 0 no fault is told, or the drill
    passed; 1 a fault is told, or the drill did not pass; 2 bad input, or no such device, time or incident; 3 stopped.
    """  # fmt: skip
    from mbsniff.story import Ask, tell, times_in

    if incident is not None and at is not None:
        raise click.UsageError("Give --at or --incident, not both.")
    times = times_in(timezone)
    look = inputs.look()
    diagnosis = inputs.diagnosis(look)
    ask = Ask(at, device, incident)
    if is_drill:
        return _drilled(diagnosis, look, ask, times, form)
    story = tell(diagnosis, look, ask, times, fold=not everything)
    if story is None:
        click.echo(_nothing(form), nl=False)
        return 0
    click.echo(_text(story, form, everything), nl=False)
    return 1 if story.is_fault else 0


def _drilled(diagnosis: Diagnosis, look: Look | None, ask: Ask, times: Times, form: str) -> int:
    from mbsniff.report.story_drill import drill_json, drill_markdown, drill_page
    from mbsniff.story.drill import drill

    paths = [f.file for f in diagnosis.facts.files] + ([diagnosis.site.path] if diagnosis.site.path else [])
    made = drill(diagnosis, look, ask, times, _digests(paths))
    if form == "text":
        click.echo(drill_page(made, page_width()), nl=False)
    else:
        click.echo(drill_json(made) if form == "json" else drill_markdown(made), nl=False)
    return 0 if made.is_passed else 1


def _digests(paths: list[str]) -> dict[str, str]:
    """SHA-256 of the files that are regular ones, by their paths; as they lie there, packed or not."""
    found = {}
    for path in paths:
        if Path(path).is_file():
            with Path(path).open("rb") as stream:
                found[path] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def _nothing(form: str) -> str:
    from mbsniff.report.story_json import no_story_json

    text = "No watchdog was due, as far as timeouts are stated: nothing to tell."
    return no_story_json() if form == "json" else f'{text} Any moment: --at 02:13 --device "zone 3".\n'


def _text(story: Story, form: str, everything: bool) -> str:
    if form == "json":
        from mbsniff.report.story_json import story_json

        return story_json(story)
    if form == "markdown":
        from mbsniff.report.story_sheets import story_markdown

        return story_markdown(story, everything=everything)
    from mbsniff.report.story_page import story_page

    return story_page(story, page_width(), everything=everything)
