"""Keys, values and remarks in, lines of a drafted site file out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from mbsniff.diagnose.wording import counted, duration
from mbsniff.draft.observed import Observed
from mbsniff.errors import one_line

WIDTH = 110
_KEY_COLUMNS = 34


def comment(text: str) -> list[str]:
    """A remark as lines that each begin with #; nothing in it can end the comment."""
    return textwrap.wrap(one_line(text), WIDTH, initial_indent="# ", subsequent_indent="# ")


def entry(key: str, value: str | None, remark: str = "") -> list[str]:
    """``key = value  # remark``; without a value, the key to be filled in, behind a #."""
    line = f"# {key} =" if value is None else f"{key} = {value}"
    text = one_line(remark)
    if not text:
        return [line]
    if len(line) < _KEY_COLUMNS and len(text) <= WIDTH - _KEY_COLUMNS:
        return [f"{line:<{_KEY_COLUMNS}}# {text}"]
    return [*comment(text), line]


def left_open(members: Sequence[Observed]) -> list[str]:
    """The limits of devices, open, each with what was observed and where to look it up."""
    silences = [m.figures.silences.longest.length_ns for m in members if m.figures.silences.longest]
    busiest = max((m.figures.busiest.reads for m in members), default=0)
    blocks = [m.largest_block for m in members if m.largest_block]
    longest = f"; observed: longest silence {duration(max(silences))}" if silences else ""
    block = f"; observed: {max(blocks)}" if blocks else ""
    limits = (
        ("watchdog_s", f"its configuration; 0: never trips{longest}"),
        ("watchdog_register", "manual: the register that states this timeout, by name or address"),
        ("fed_by", 'manual: what restarts it; "request" where not given'),
        ("on_loss", 'configuration: "hold" or "shut-off"'),
        ("status_register", "manual: the register that says whether it tripped"),
        ("status_tripped", "manual: which of its bits or values, as in { mask = 2 }"),
        ("tolerable_outage_s", "the owner of the process decides"),
        ("max_block", f"manual: registers in one read{block}"),
        ("max_reads_per_s", f"manual; observed: {counted(busiest, 'read')} in the busiest second"),
    )
    return [line for key, remark in limits for line in entry(key, None, remark)]
