"""A plan's parts in, what one must know of them besides out: assumptions, what is left out, watchdogs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from mbsniff.diagnose.wording import counted, duration, listed
from mbsniff.plan.ground import MOST_REGISTERS
from mbsniff.plan.numbers import feeding_periods
from mbsniff.plan.plan import DevicePlan, Obstacle, PlannedPoll
from mbsniff.plan.spreads import ASSUMED_SPREAD_NS
from mbsniff.plan.target import ANY_MASTER, Target
from mbsniff.plan.wishes import sporadic_reads
from mbsniff.site import Site
from mbsniff.site.register import BITS, READ_TABLES

Note = tuple[str, tuple[Target, ...]]


def notes_of(
    devices: Sequence[DevicePlan],
    polls: Sequence[PlannedPoll],
    of_wishes: Sequence[Sequence[str]],
    assumed: Sequence[str],
) -> list[Note]:
    """All notes, each once, with the devices that it is about."""
    found: dict[str, dict[Target, None]] = {}
    own = polls_by_target(polls)
    told = [(text, device.target) for device in devices for text in _of_device(device, own[device.target])]
    told += [(text, d.target) for d, texts in zip(devices, of_wishes, strict=True) for text in texts]
    for text, target in told:
        found.setdefault(text, {})[target] = None
    notes = [(text, tuple(mentioned)) for text, mentioned in found.items()]
    if assumed:
        text = (
            f"no recording shows how evenly {listed(list(assumed))} will poll: intervals are assumed to differ from "
            f"the period by {duration(ASSUMED_SPREAD_NS)}"
        )
        notes.append((text, ()))
    return notes


def polls_by_target(polls: Sequence[PlannedPoll]) -> defaultdict[Target, list[PlannedPoll]]:
    """Each device's polls; none for those without."""
    found: defaultdict[Target, list[PlannedPoll]] = defaultdict(list)
    for poll in polls:
        found[poll.target].append(poll)
    return found


def _of_device(device: DevicePlan, own: Sequence[PlannedPoll]) -> Iterator[str]:
    target, limits = device.target, device.target.limits
    registers = [p for p in own if not p.fixed and READ_TABLES[p.function] not in BITS]
    if registers and limits.max_block is None:
        yield f"max_block is not stated: blocks may have {MOST_REGISTERS} registers, the protocol's most"
    if own and device.limit is None:
        yield "max_reads_per_s is not stated: nothing is held against the number of reads"
    if not device.simulated:
        yield "too many periods to repeat soon: the busiest second and 10 s are upper bounds, not simulated"
    now_and_then = sum(poll.count for poll in sporadic_reads(target))
    if now_and_then:
        yield f"{counted(now_and_then, 'read')} that came now and then cannot be planned, and come on top"
    if target.figures is None and own and not (target.declared and target.declared.units):
        yield f"its unit identifier is not stated: {target.unit} is taken"
    if any(poll.master == ANY_MASTER for poll in own):
        yield "no master is known"
    if own and limits.watchdog_ns and device.after.spare_polls == 0:
        yield "the plan leaves no spare poll before the watchdog is due"


def watchdog_obstacles(
    devices: Sequence[DevicePlan], polls: Sequence[PlannedPoll], site: Site, spreads_ns: Mapping[str, int]
) -> list[Obstacle]:
    """Devices whose watchdog would be due between two planned polls."""
    found = []
    polls_of = polls_by_target(polls)
    for device in devices:
        target, watchdog_ns = device.target, device.target.limits.watchdog_ns
        own = polls_of[target]
        if not watchdog_ns or not own:
            continue
        periods = feeding_periods(target, own, site)
        spread_ns = max(spreads_ns[poll.master] for poll in own)
        if not periods:
            text = f"watchdog of {duration(watchdog_ns)}: nothing that is planned or stays as it is feeds it"
        elif min(periods) + spread_ns > watchdog_ns:
            text = (
                f"watchdog of {duration(watchdog_ns)}: the fastest poll that feeds it comes every "
                f"{duration(min(periods))}; with {duration((watchdog_ns - spread_ns) // 2)} or less one poll could "
                "go missing"
            )
        else:
            continue
        found.append(Obstacle("watchdog", (target,), text))
    return found
