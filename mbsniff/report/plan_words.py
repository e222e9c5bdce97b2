"""Parts of a Plan in, the words for them out, as every format prints them."""

from __future__ import annotations

from collections.abc import Sequence

from mbsniff.diagnose.wording import addresses, duration, listed
from mbsniff.errors import one_line
from mbsniff.plan import Plan, PlannedPoll, Target

NONE = "-"
CAUTION = (
    "Changing what a controller polls is work for people qualified for it, under local codes and the plant's rules: "
    "it can change how soon a controller sees what heaters and drives do. Check the list against each device's "
    "documentation first: that every block may be read whole, and that reading none of its registers acknowledges, "
    "clears or starts anything. Try it on one device, record, and hold the recording against the limits."
)
_MOST_DEVICES = 8


def called(target: Target) -> str:
    """A device's name, address and unit; the port only where it is not 502; safe to print."""
    where = target.key.replace(":502/", "/") if target.port == 502 else target.key
    return f"{one_line(target.name)} {where}" if target.name else where


def short(target: Target) -> str:
    """Its name where it has one, else its address and unit."""
    return one_line(target.name) if target.name else called(target)


def together(targets: Sequence[Target], plan: Plan, most: int = _MOST_DEVICES) -> str:
    """Several devices, by name; or that it is all of them, where these are more than two."""
    if len(targets) == len(plan.devices) > 2:
        return f"all {len(targets)} devices"
    return listed([short(target) for target in targets], most)


def length(ns: int) -> str:
    """A length of time, 0 among them."""
    return duration(ns) if ns else "0 s"


def who(poll: PlannedPoll) -> str:
    """The master of a poll, with its address."""
    return f"{one_line(poll.master_name)} {poll.master}" if poll.master_name else one_line(poll.master)


def asks(poll: PlannedPoll) -> str:
    """The addresses of a poll."""
    return addresses(poll.first, poll.count) if poll.first >= 0 else NONE


def period(poll: PlannedPoll) -> str:
    """Its period, and the wanted one where it is another."""
    planned = duration(poll.period_ns)
    return planned if poll.period_ns == poll.wanted_ns else f"{planned} (wanted {duration(poll.wanted_ns)})"


def obstacles(plan: Plan) -> list[str]:
    """What cannot be as wished, a sentence each."""
    return [
        f"Not as wished, {obstacle.kind}: {together(obstacle.devices, plan)}: {one_line(obstacle.text)}."
        for obstacle in plan.obstacles
    ]


def notes(plan: Plan) -> list[str]:
    """What else there is to know, a sentence each."""
    return [
        f"Note: {together(targets, plan)}: {one_line(text)}." if targets else f"Note: {one_line(text)}."
        for text, targets in plan.notes
    ]
