"""The wishes for one device in, its reads without beginnings out: covered by blocks, function by function."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.diagnose.wording import addresses
from mbsniff.plan.cover import Block, Value, cover
from mbsniff.plan.ground import ground, longest_block
from mbsniff.plan.plan import Obstacle
from mbsniff.plan.target import Target
from mbsniff.plan.wishes import Wishes, values


@dataclass(frozen=True)
class Draft:
    """A read whose beginning is not chosen yet."""

    master: str
    target: Target
    function: int
    block: Block
    movable: bool
    """Whether a limit may make it slower."""
    fixed: bool


def drafts(target: Target, wanted: Wishes) -> tuple[list[Draft], list[Obstacle]]:
    """The fewest reads that give each master what it wants of the device, and what no read can give."""
    made: list[Draft] = []
    obstacles = [
        Obstacle(
            "unreadable",
            (target,),
            f"{register.label(target.limits.numbering)} has a wanted period and is declared unreadable",
        )
        for register in target.registers
        if register.period_ns is not None and not register.readable
    ]
    for (master, function), periods in sorted(wanted.periods.items()):
        blocks, without = cover(values(target, function, periods), ground(target, function))
        held = wanted.held.get((master, function), set())
        for block in blocks:
            movable = held.isdisjoint(range(block.first, block.last + 1))
            made.append(Draft(master, target, function, block, movable, fixed=False))
        obstacles += [_unread(target, function, value) for value in without]
    for each in wanted.fixed:
        block = Block(each.first, each.count, each.period_ns, each.count)
        made.append(Draft(each.master, target, each.function, block, movable=False, fixed=True))
    return made, obstacles


def _unread(target: Target, function: int, value: Value) -> Obstacle:
    longest = longest_block(target, function)
    reason = (
        f"takes {value.words} addresses in one read, and a block may have {longest}"
        if value.words > longest
        else "was refused as a block of its own"
    )
    where = addresses(value.first, value.words)
    return Obstacle("unreadable", (target,), f"function {function}, {where} {reason}: it is left out")
