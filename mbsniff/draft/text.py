"""What was observed of devices and masters → the text of a site file to be completed by hand."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from mbsniff.diagnose.wording import clock, counted, day, duration, listed
from mbsniff.draft.comments import comment, entry, left_open
from mbsniff.draft.observed import Observed, Use
from mbsniff.draft.registers import register_tables
from mbsniff.errors import one_line
from mbsniff.exchange import RecordingFacts
from mbsniff.measure.addresses import written_block
from mbsniff.measure.figures import Figures, MasterHabits, PollFigures
from mbsniff.site.kinds import is_station

_INTRODUCTION = (
    "What stands here without a # was seen in the recording. What a recording cannot show, limits above all, is "
    "left open behind a #: take it from the device's manual and from its configuration as it is set on site, "
    "never from what happened to be observed. What stays open is not judged. "
    "Whoever is responsible for the process decides how long it may be without control."
)
_NEXT = "When it is filled in: mbsniff site --check FILE, then mbsniff diagnose CAPTURE --site FILE."

Hardware = dict[str, tuple[str, ...]] | None
"""IP address → hardware addresses seen; None where nobody looked."""


@dataclass(frozen=True)
class _Family:
    """Devices that are read alike, two or more, and what is used alike at all of them."""

    name: str
    members: tuple[Observed, ...]
    uses: tuple[Use, ...]


def draft(observed: list[Observed], figures: Figures, facts: RecordingFacts, hardware: Hardware) -> str:
    """The TOML text of a site file: masters, families of devices that are read alike, devices.

    Devices that neither answered nor were polled regularly are only mentioned.
    """
    shown = [each for each in observed if _is_of_use(each)]
    families = _families(shown)
    family_of = {id(member): family for family in families for member in family.members}
    parts = [_head(facts), _defaults(shown, families)]
    parts += [_master(n, a, figures, shown, hardware) for n, a in enumerate(_masters(shown), 1)]
    parts += [_family(family) for family in families]
    parts += [_device(n, each, family_of.get(id(each)), hardware) for n, each in enumerate(shown, 1)]
    parts.append(_left_out([each for each in observed if not _is_of_use(each)]))
    return "\n".join(part for part in parts if part)


def _is_of_use(each: Observed) -> bool:
    return (each.answered or each.figures.regular) and is_station(each.figures.address)


def _head(facts: RecordingFacts) -> str:
    files = listed([one_line(file.file) for file in facts.files])
    when = ""
    if facts.starts_ns is not None:
        when = f" ({day(facts.starts_ns)} {clock(facts.starts_ns)[:8]} UTC, {duration(facts.span_ns)})"
    return "\n".join([*comment(f"Draft of a site file, made by mbsniff from {files}{when}."), "#",
                      *comment(_INTRODUCTION), "#", *comment(_NEXT), ""])  # fmt: skip


def _defaults(shown: list[Observed], families: list[_Family]) -> str:
    """What holds for all devices; their limits stand here where no families do."""
    if not shown:
        return "\n".join([*comment("No Modbus TCP was recorded that anything could be drafted from."), ""])
    lines = [
        "[defaults]",
        *comment("Holds for every device that says nothing else, itself or by its family."),
    ]
    lines += [] if families else left_open(shown)
    lines += entry("masters", None, "the masters that may talk to the devices, and no others")
    lines += entry("writers", None, "those of them that may write")
    lines += entry("numbering", None, 'how the manual counts: "from-1", say, where register 41 is address 40')
    return "\n".join([*lines, ""])


def _masters(shown: list[Observed]) -> list[str]:
    found = dict.fromkeys(address for each in shown for address in each.figures.masters)
    return [address for address in found if is_station(address)]


def _families(shown: list[Observed]) -> list[_Family]:
    """Devices of which the same addresses are read, two or more, each such kind once."""
    alike: dict[tuple[Use, ...], list[Observed]] = defaultdict(list)
    for each in shown:
        alike[tuple(use for use in each.uses if use.read)].append(each)
    kinds = [members for uses, members in alike.items() if uses and len(members) > 1]
    return [
        _Family(f"family {number}", tuple(members), _common(members))
        for number, members in enumerate(kinds, 1)
    ]


def _common(members: list[Observed]) -> tuple[Use, ...]:
    at_all = set(members[0].uses).intersection(*(member.uses for member in members[1:]))
    return tuple(use for use in members[0].uses if use in at_all)


def _master(number: int, address: str, figures: Figures, shown: list[Observed], hardware: Hardware) -> str:
    asked = [each for each in shown if address in each.figures.masters]
    writes = [
        each for each in asked
        if any(poll.master == address and written_block(poll) for poll in each.figures.polls)
    ]  # fmt: skip
    habits = [habit for end in figures.endpoints for habit in end.habits if habit.master == address]
    lines = ["[[master]]", *entry("name", f'"master {number}"', "what people on site call it")]
    lines += entry("addresses", f'["{address}"]', "all that it sends from")
    lines += _hardware("hardware_addresses", address, hardware, "[{}]".format)
    written = f"it wrote to {counted(len(writes), 'device')}" if writes else "it wrote nothing"
    lines += entry("may_write", None, f"true or false; observed: {written}")
    lines += entry("timeout_s", None, f"from its program{_waited(habits)}")
    lines += entry("group", None, "where others stand in for it: the name of their redundancy group")
    lines += comment(f"Observed: asked {counted(len(asked), 'device')}.")
    return "\n".join([*lines, ""])


def _waited(habits: Iterable[MasterHabits]) -> str:
    waits = [habit.timeout_ns for habit in habits if habit.timeout_ns is not None]
    return f"; observed: it went on after {duration(max(waits))} without a reply" if waits else ""


def _family(family: _Family) -> str:
    lines = [
        "[[family]]",
        *entry("name", f'"{family.name}"', "what these devices are: their make and model, say"),
    ]
    lines += comment(f"{counted(len(family.members), 'device')} of which the same addresses were read.")
    lines += left_open(family.members)
    return "\n".join([*lines, "", *register_tables("family", family.uses, family.members)])


def _device(number: int, each: Observed, family: _Family | None, hardware: Hardware) -> str:
    figures = each.figures
    lines = ["[[device]]", *entry("name", f'"device {number}"', "what people on site call it")]
    lines += entry("address", f'"{figures.address}"') + entry("port", f"{figures.port}")
    lines += entry("unit_id", f"{figures.units[0]}")
    lines += entry("family", f'"{family.name}"') if family else []
    lines += _hardware("hardware_address", figures.address, hardware, str)
    lines += comment(f"Observed: {_seen(each)}.")
    for poll, count in each.refused:
        lines += comment(_refused(poll, count))
    shared = family.uses if family else ()
    own = tuple(use for use in each.uses if use not in shared)
    return "\n".join([*lines, "", *register_tables("device", own, (each,))])


def _refused(poll: PollFigures, count: int) -> str:
    what = (
        f"function {poll.function}, {counted(poll.quantity or 1, 'address', 'addresses')} from {poll.start}"
    )
    return (
        f"Refused {counted(count, 'time')} with exception 2, no such address: {what}. An address one too high, "
        "since the manual counts from 1, looks so; a block past the last address does too."
    )


def _seen(each: Observed) -> str:
    figures = each.figures
    parts = [
        f"{counted(figures.requests, 'request')} from {listed(figures.masters)}, {figures.answered:,} answered"
    ]
    longest = figures.silences.longest
    parts += [f"longest silence {duration(longest.length_ns)}"] if longest else []
    parts += [f"busiest second {counted(figures.busiest.reads, 'read')}"] if figures.reads else []
    parts += [f"largest block {each.largest_block}"] if each.largest_block else []
    parts += [] if figures.regular else ["not polled regularly"]
    return ", ".join(parts)


def _hardware(key: str, address: str, hardware: Hardware, form: Callable[[str], str]) -> list[str]:
    """The hardware address where there is one; where there are several, they are only told."""
    if hardware is None:
        return []
    found = hardware.get(address, ())
    if len(found) == 1:
        return entry(key, form(f'"{found[0]}"'))
    several = f"several were seen: {listed(list(found))}; find out which is right"
    return entry(
        key, None, several if found else "not seen: it is behind a router, or was recorded without it"
    )


def _left_out(rest: list[Observed]) -> str:
    if not rest:
        return ""
    keys = [each.figures.key for each in rest]
    return "\n".join([*comment(f"Asked now and then, without a reply of use: {listed(keys, 20)}."), ""])
