"""A Story in, its terminal page out: short enough for one screen, or everything."""

from __future__ import annotations

import textwrap

from mbsniff.diagnose.wording import counted
from mbsniff.errors import one_line
from mbsniff.report.story_cells import CAUTION, CLAUSE, labels_of, paragraphs, step_text
from mbsniff.report.table import wrapped
from mbsniff.story import Step, Story

MOST_LINES = 30  # of a page that fits one screen
LEAST = 100  # the weight of marks, which stay on every page
TIGHTER = ((2, 84), (1, 84), (1, 98), (0, 98), (0, LEAST))
"""What is tried to fit the screen: (sentences of each argument, weight from which on steps are kept)."""


def story_page(story: Story, width: int, *, everything: bool = False) -> str:
    """The page for a terminal of ``width`` columns; where not everything is told, one screen of it."""
    if everything:
        return _page(story, story.steps, width, None)
    page = ""
    for sentences, least in TIGHTER:
        steps = [step for step in story.steps if step.weight]
        while True:
            page = _page(story, steps, width, sentences)
            loose = [step for step in steps if step.weight < least]
            if len(page.splitlines()) <= MOST_LINES:
                return page
            if not loose:
                break
            out = min(loose, key=lambda step: (step.weight, -step.from_ns))
            steps = [step for step in steps if step is not out]
    return _with_less_evidence(story, [step for step in story.steps if step.weight >= LEAST], width) or page


def _with_less_evidence(story: Story, steps: list[Step], width: int) -> str | None:
    """With as many clauses of the cause as fit; None where not even one does."""
    clauses = len(story.cause.text.split(CLAUSE)) if story.cause else 0
    for most in range(clauses - 1, 0, -1):
        page = _page(story, steps, width, 0, most)
        if len(page.splitlines()) <= MOST_LINES:
            return page
    return None


def _page(
    story: Story, steps: list[Step], width: int, sentences: int | None, clauses: int | None = None
) -> str:
    """With these steps, so many sentences of each argument, and so many clauses of the cause."""
    more = len(story.steps) - len(steps)
    lines = [_files(story, width), wrapped(one_line(story.headline) + ".", width)]
    lines += [wrapped(story.summary, width), "", *(_step(story, step, width) for step in steps)]
    if more:
        lines.append(f"{'':14}({counted(more, 'further step')}: --all)")
    lines.append("")
    lines += [
        wrapped(f"{title}: {text}", width, "  ") for title, text in paragraphs(story, sentences, clauses)
    ]
    lines.append(wrapped(CAUTION, width))
    return "\n".join(lines) + "\n"


def _files(story: Story, width: int) -> str:
    files = story.diagnosis.facts.files
    names = ", ".join(one_line(f.file) for f in files[:2])
    return wrapped(
        names + (f" and {counted(len(files) - 2, 'more file')}" if len(files) > 2 else ""), width, "  "
    )


def _step(story: Story, step: Step, width: int) -> str:
    text = step_text(step, labels_of(story))
    head = f"{story.times.clock(step.from_ns)}  "
    return textwrap.fill(
        text, max(width, 40), initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=False
    )
