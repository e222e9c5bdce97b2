"""A Story's parts in, the words of their lines out; what its page and its Markdown share."""

from __future__ import annotations

from mbsniff.diagnose import Evidence
from mbsniff.errors import one_line
from mbsniff.story import Step, Story

CAUTION = (
    "Nothing here says that equipment is safe or off. Local codes and licensed practice go first; mbsniff only "
    "listens."
)
BRIEF_SENTENCES = 2  # of what speaks against neighbours, and of what would decide, where room is short
MOST_FRAMES = 3


def frames(evidence: tuple[Evidence, ...], several: bool) -> str:
    """ "frame 243", "frames 249–292"; with the files' names where the recording has several files."""
    if not evidence:
        return ""
    texts = [f"{one_line(e.file)} {e.frame}" if several else f"{e.frame}" for e in evidence]
    return f"frame{'s' if len(evidence) > 1 else ''} {'–'.join(dict.fromkeys(texts))}"


def listed_frames(evidence: tuple[Evidence, ...], several: bool) -> str:
    """ "frames 249, 253, 268 and 5 more"."""
    if not evidence:
        return ""
    texts = [f"{one_line(e.file)} {e.frame}" if several else f"{e.frame}" for e in evidence]
    more = len(texts) - MOST_FRAMES
    shown = ", ".join(texts[:MOST_FRAMES])
    return f"frame{'s' if len(texts) > 1 else ''} {shown}" + (f" and {more} more" if more > 0 else "")


def has_several_files(story: Story) -> bool:
    """Whether frames need their files' names."""
    return len(story.diagnosis.facts.files) > 1


def step_text(step: Step, several: bool) -> str:
    """The sentence with its frames."""
    shown = frames(step.evidence, several)
    return f"{step.text} ({shown})" if shown else step.text


def paragraphs(story: Story, brief: bool) -> list[tuple[str, str]]:
    """(title, text) of what follows the steps: cause, what speaks against others, recovery, what stays hidden."""
    several = has_several_files(story)
    found: list[tuple[str, str]] = []
    if story.cause:
        cause = story.cause
        shown = listed_frames(cause.evidence, several)
        text = one_line(cause.text) + (f" ({shown})" if shown else "")
        found.append(("Why", f"{cause.code} ({cause.certainty}): {text}."))
        most = BRIEF_SENTENCES if brief else len(cause.against) + len(cause.rivals) + len(cause.would_decide)
        if cause.against:
            found.append(("Against others", _joined(cause.against[:most])))
        if cause.rivals:
            found.append(("Still possible", _joined([f"{code}: {why}" for code, why in cause.rivals[:most]])))
        if cause.would_decide:
            found.append(("Would decide", _joined(cause.would_decide[:most])))
    for each in story.recovery:
        shown = listed_frames(each.evidence, several)
        found.append((each.title, _sentence(f"{each.text} ({shown})" if shown else each.text)))
    found.append(("The wire cannot show", _joined(story.unseen, "; ")))
    return found


def _joined(texts: list[str] | tuple[str, ...], between: str = ". ") -> str:
    if between == "; ":
        return _sentence("; ".join(one_line(text) for text in texts))
    return " ".join(_sentence(text) for text in texts)


def _sentence(text: str) -> str:
    told = one_line(text)
    told = told[:1].upper() + told[1:] if told[:1].islower() and " " in told else told
    return told if told.endswith(("?", ".", "!")) else f"{told}."
