"""The table of findings in, its explanation out: one finding or all, as text or as the reference page."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from mbsniff.diagnose.kind import Kind

_INTRODUCTION = """\
# Findings

What `mbsniff diagnose` can find, in the order in which findings of one level are listed. Levels are fault (exit
status 1), risk and remark; what concerns a device that was only probed is always a remark. Where the recording lacks
bytes that could decide, a finding is called open. This page is printed by `mbsniff findings --format markdown`.
"""
_PARTS = (
    ("Level", "level"),
    ("Meaning", "meaning"),
    ("Decided by", "evidence"),
    ("Not to be mistaken for", "look_alike"),
    ("What to do", "advice"),
)


def findings_markdown(kinds: Sequence[Kind]) -> str:
    """The reference page: a section a finding."""
    return "\n".join([_INTRODUCTION, *(_section(kind) for kind in kinds)])


def _section(kind: Kind) -> str:
    lines = [f"## `{kind.code}`: {kind.brief}", ""]
    lines += [f"- **{title}**: {getattr(kind, field)}" for title, field in _PARTS]
    return "\n".join([*lines, ""])


def findings_text(kinds: Sequence[Kind], width: int) -> str:
    """The same for a terminal: one finding in full; several as codes with their meanings."""
    if len(kinds) == 1:
        return _in_full(kinds[0], width)
    column = max(len(kind.code) for kind in kinds) + 2
    return "".join(hung(kind.code, kind.meaning, column, width) for kind in kinds)


def _in_full(kind: Kind, width: int) -> str:
    column = max(len(title) for title, _ in _PARTS) + 2
    parts = [hung(title, getattr(kind, field), column, width) for title, field in _PARTS]
    return f"{kind.code}: {kind.brief}\n\n" + "".join(parts)


def hung(title: str, text: str, column: int, width: int) -> str:
    """A title, and a text beside it in a column of its own."""
    filled = textwrap.wrap(text, max(width - column, 20))
    lines = [f"{title:<{column}}{filled[0]}", *(" " * column + line for line in filled[1:])]
    return "\n".join(lines) + "\n"
