"""A Story in, a Markdown page out."""

from __future__ import annotations

from mbsniff.report.sheets import markdown_safe
from mbsniff.report.story_cells import CAUTION, labels_of, paragraphs, step_text
from mbsniff.story import Story


def story_markdown(story: Story, *, everything: bool = False) -> str:
    """The story as a page: every step, what is argued, and what stays hidden."""
    labels = labels_of(story)
    files = ", ".join(markdown_safe(f.file) for f in story.diagnosis.facts.files[:8])
    parts = [f"# {markdown_safe(story.headline)}", f"Recording: {files}", markdown_safe(story.summary)]
    steps = [
        f"- **{story.times.clock(step.from_ns)}** {markdown_safe(step_text(step, labels))}"
        for step in story.steps
    ]
    parts += ["## In time order", "\n".join(steps)] if steps else []
    for title, text in paragraphs(story, None if everything else 2):
        parts += [f"**{title}.** {markdown_safe(text)}"]
    return "\n\n".join([*parts, CAUTION]) + "\n"
