"""An Audit's rows in, the words of their cells out; what every format of an audit shares."""

from __future__ import annotations

from mbsniff.audit import Audit, Result, Written
from mbsniff.diagnose.wording import counted, duration, listed
from mbsniff.errors import one_line

NONE = "-"
MOST_FRAMES = 3


def called(key: str, name: str | None) -> str:
    """A device as tables call it: its name, its address without the usual port."""
    where = key.replace(":502", "", 1) if ":502/" in key or key.endswith(":502") else key
    return f"{one_line(name)} {where}" if name else where


def frames(result: Result, most: int = MOST_FRAMES) -> str:
    """The frames that show it: "1255, 1336 and 6 more", with the files' names where there are several."""
    evidence = result.outcome.evidence
    several = len({e.file for e in evidence}) > 1
    texts = [f"{one_line(e.file)} {e.frame}" if several else f"{e.frame}" for e in evidence]
    more = len(texts) - most
    return ", ".join(texts[:most]) + (f" and {more} more" if more > 0 else "")


def summary(audit: Audit) -> str:
    """How many requirements are met, not met, and not to be told."""
    counts = audit.counts()
    told = ", ".join(f"{count:,} {verdict}" for verdict, count in counts.items())
    return f"{counted(len(audit.results), 'requirement')} held against the recording: {told}."


def not_stated(audit: Audit) -> str:
    """What the site file does not state, so that it was not judged."""
    from mbsniff.audit import REQUIREMENTS

    titles = {r.code: r.title for r in REQUIREMENTS}
    items = [f"{titles[code]} ({counted(n, 'device')})" for code, n in audit.not_stated.items()]
    return f"Not stated in the site file, so not judged: {listed(items, 30)}." if items else ""


def age(written: Written) -> str:
    """Of the last measurement at each write: median and greatest."""
    found = written.age
    return NONE if found is None else f"{duration(found.median)}, {duration(found.max)}"


def follows(written: Written) -> str:
    """How many changes were followed, and the median time."""
    found = written.follows
    if found is None or not found.changes:
        return NONE
    after = f", {duration(found.after.median)}" if found.after else ""
    return f"{found.followed} of {found.changes}{after}"


def ended(text: str) -> str:
    """A text as a sentence."""
    return text if text.endswith(("?", ".", "!")) else f"{text}."
