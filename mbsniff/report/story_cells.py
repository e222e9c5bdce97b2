"""A Story's parts in, the words of their lines out; what its page and its Markdown share."""

from __future__ import annotations

from mbsniff.diagnose import Evidence
from mbsniff.errors import one_line
from mbsniff.story import Step, Story

CAUTION = (
    "Nothing here says that equipment is safe or off. Local codes and licensed practice go first; mbsniff only "
    "listens."
)
AGAINST = "against "
DECIDES = "Would decide"
MOST_FRAMES = 3
MOST_HIDDEN = 3  # sentences about what the wire cannot show, where not everything is told


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


def paragraphs(story: Story, most: int | None) -> list[tuple[str, str]]:
    """(title, text) of what follows the steps: cause, what speaks against others, recovery, what stays hidden.

    ``most``: how many sentences of each argument are told; None: all; 0: only the first of what would decide.
    """
    several = has_several_files(story)
    found = _argument(story, most, several) if story.cause else []
    for each in story.recovery:
        shown = listed_frames(each.evidence, several)
        found.append((each.title, _ended(f"{each.text} ({shown})" if shown else each.text)))
    hidden = [one_line(text) for text in story.unseen[: None if most is None else MOST_HIDDEN]]
    if any(title == DECIDES for title, _ in found):
        hidden = [text.split(" (")[0] for text in hidden]  # what tells was said already
    return [*found, ("The wire cannot show", _ended("; ".join(hidden)))]


def _argument(story: Story, most: int | None, several: bool) -> list[tuple[str, str]]:
    cause = story.cause
    if cause is None:
        return []
    shown = listed_frames(cause.evidence, several)
    text = one_line(cause.text) + (f" ({shown})" if shown else "")
    parts: tuple[tuple[str, list[str]], ...] = (
        ("Not others", [sentence.removeprefix(AGAINST) for sentence in cause.against]),
        ("Still possible", [f"{code}: {why}" for code, why in cause.rivals]),
        (DECIDES, list(cause.would_decide)),
    )
    if most == 0:
        parts, most = parts[-1:], 1
    told = [(title, _ended("; ".join(one_line(s) for s in texts[:most]))) for title, texts in parts if texts]
    return [("Why", _ended(f"{cause.code} ({cause.certainty}): {text}")), *told]


def _ended(text: str) -> str:
    return text if text.endswith(("?", ".", "!")) else f"{text}."
