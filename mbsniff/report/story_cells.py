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
CLAUSE = ", "  # between the pieces of evidence in a cause's text
MOST_FRAMES = 3
MOST_HIDDEN = 3  # sentences about what the wire cannot show, where not everything is told


Labels = dict[str, str]
"""What frames call their files: nothing where there is one, else the shortest that tells them apart."""


def labels_of(story: Story) -> Labels:
    """The names of the recording's files, without their folders where that still tells them apart."""
    files = [f.file for f in story.diagnosis.facts.files]
    if len(files) < 2:
        return dict.fromkeys(files, "")
    bases = {file: file.replace("\\", "/").rsplit("/", 1)[-1] for file in files}
    unique = len(set(bases.values())) == len(set(files))
    return {file: f"{one_line(bases[file] if unique else file)} " for file in files}


def places(evidence: tuple[Evidence, ...], labels: Labels) -> list[str]:
    """Frames with their files' labels, each label only where the file changes: "night1.pcap 1373", "1374"."""
    texts, before = [], ""
    for e in dict.fromkeys(evidence):
        label = labels.get(e.file, f"{one_line(e.file)} ")
        texts.append(f"{'' if label == before else label}{e.frame}")
        before = label
    return texts


def frames(evidence: tuple[Evidence, ...], labels: Labels) -> str:
    """ "frame 243", "frames 249–292"."""
    texts = places(evidence, labels)
    return f"frame{'s' if len(texts) > 1 else ''} {'–'.join(texts)}" if texts else ""


def listed_frames(evidence: tuple[Evidence, ...], labels: Labels) -> str:
    """ "frames 249, 253, 268 and 5 more"."""
    texts = places(evidence, labels)
    more = len(texts) - MOST_FRAMES
    shown = ", ".join(texts[:MOST_FRAMES]) + (f" and {more} more" if more > 0 else "")
    return f"frame{'s' if len(texts) > 1 else ''} {shown}" if texts else ""


def step_text(step: Step, labels: Labels) -> str:
    """The sentence with its frames."""
    shown = frames(step.evidence, labels)
    return f"{step.text} ({shown})" if shown else step.text


def paragraphs(story: Story, most: int | None, clauses: int | None = None) -> list[tuple[str, str]]:
    """(title, text) of what follows the steps: cause, what speaks against others, recovery, what stays hidden.

    ``most``: how many sentences of each argument are told; None: all; 0: only the first of what would decide.
    ``clauses``: how many clauses of the cause's text are told; None: all.
    """
    labels = labels_of(story)
    found = _argument(story, most, clauses, labels) if story.cause else []
    for each in story.recovery:
        shown = listed_frames(each.evidence, labels)
        found.append((each.title, _ended(f"{each.text} ({shown})" if shown else each.text)))
    hidden = [one_line(text) for text in story.unseen[: None if most is None else MOST_HIDDEN if most else 1]]
    if any(title == DECIDES for title, _ in found):
        hidden = [text.split(" (")[0] for text in hidden]  # what tells was said already
    return [*found, ("The wire cannot show", _ended("; ".join(hidden)))]


def _argument(story: Story, most: int | None, clauses: int | None, labels: Labels) -> list[tuple[str, str]]:
    cause = story.cause
    if cause is None:
        return []
    shown = listed_frames(cause.evidence, labels)
    parts_of_text = one_line(cause.text).split(CLAUSE)
    text = CLAUSE.join(parts_of_text[:clauses]) + (
        "…" if len(parts_of_text) > (clauses or len(parts_of_text)) else ""
    )
    text += f" ({shown})" if shown else ""
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
