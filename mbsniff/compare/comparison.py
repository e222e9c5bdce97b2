"""Two diagnoses in, their Comparison out: devices side by side, what stands out, findings gone and new."""

from __future__ import annotations

from mbsniff.compare.blocks import Blocks
from mbsniff.compare.drafts import Draft, Recorded, drafts
from mbsniff.compare.findings import finding_changes
from mbsniff.compare.judge import level, rows
from mbsniff.compare.matching import Pair, matched
from mbsniff.compare.resampling import DRAWS, MOST_BLOCKS
from mbsniff.compare.result import Comparison, DeviceChange, Row
from mbsniff.compare.series import Times, series_of, service_times
from mbsniff.diagnose import Diagnosis, Verdict
from mbsniff.diagnose.finding import STATES
from mbsniff.diagnose.wording import clock, day, duration
from mbsniff.measure import DeviceFigures

LEAST_BLOCK_NS = 10**9
PERIODS = 2  # of the slowest cyclic poll in a block at least
OFTEN = 20  # polls with fewer than one in so many of the device's requests do not set the block's length


def compare(before: Diagnosis, after: Diagnosis) -> Comparison:
    """Hold two recordings against each other; the same input always gives the same result."""
    pairs, only_before, only_after = matched(_numeric(before), _numeric(after))
    services = service_times(before), service_times(after)
    made = [(pair, *_drafts(before, after, pair, services)) for pair in pairs]
    alpha = level(draft for _, _, own in made for draft in own)
    devices = [_device(pair, recorded, rows(own, alpha)) for pair, recorded, own in made]
    findings = finding_changes(before, after, devices)
    faulty = {f.device for f in findings if f.fault_got_worse}
    devices.sort(key=lambda d: (d.after.figures.key not in faulty, *_worst_first(d)))
    return Comparison(
        before=before,
        after=after,
        devices=devices,
        only_before=only_before,
        only_after=only_after,
        findings=findings,
        alpha=alpha,
        doubts=_doubts(before, after),
    )


def _numeric(diagnosis: Diagnosis) -> list[Verdict]:
    return sorted(diagnosis.verdicts, key=lambda verdict: verdict.figures.index)


def _drafts(
    before: Diagnosis, after: Diagnosis, pair: Pair, services: tuple[Times, Times]
) -> tuple[tuple[Recorded, Recorded], list[Draft]]:
    one, other = pair[0].figures, pair[1].figures
    length_ns = block_ns((before.facts.span_ns, after.facts.span_ns), one, other)
    left = Recorded(one, Blocks(series_of(before, one, services[0]), length_ns))
    right = Recorded(other, Blocks(series_of(after, other, services[1]), length_ns))
    return (left, right), drafts(left, right)


def block_ns(spans_ns: tuple[int, int], *devices: DeviceFigures) -> int:
    """The length of block for a device: a part of the shorter recording, but two of its slowest cycles."""
    cycles = [
        poll.period.median
        for device in devices
        for poll in device.polls
        if poll.kind == "cyclic" and poll.period and poll.count * OFTEN >= device.requests
    ]
    least = max(LEAST_BLOCK_NS, -(-max(spans_ns) // MOST_BLOCKS))
    return max(min(spans_ns) // DRAWS, PERIODS * max(cycles, default=0), least)


def _device(pair: Pair, recorded: tuple[Recorded, Recorded], made: list[Row]) -> DeviceChange:
    before, after = pair
    return DeviceChange(
        before=before,
        after=after,
        moved=before.figures.key != after.figures.key,
        block_ns=recorded[0].blocks.length_ns,
        blocks=(recorded[0].blocks.count, recorded[1].blocks.count),
        rows=made,
    )


def _worst_first(device: DeviceChange) -> tuple[int, int, int]:
    """By how its state fell, then what became worse, then what changed at all; numeric order among equals."""
    fell = STATES.index(device.after.state) - STATES.index(device.before.state)
    outcomes = [row.outcome for row in device.rows]
    return min(fell, 0), -outcomes.count("worse"), -sum(row.stands_out for row in device.rows)


def _doubts(before: Diagnosis, after: Diagnosis) -> list[str]:
    """What limits the trust in the comparison, and in each recording."""
    found = _order_in_time(before, after)
    for word, diagnosis in (("before", before), ("after", after)):
        found += [f"recording {word}: {doubt}" for doubt in diagnosis.doubts]
    return found


def _order_in_time(before: Diagnosis, after: Diagnosis) -> list[str]:
    one, other = before.facts, after.facts
    if one.starts_ns is None or one.ends_ns is None or other.starts_ns is None or other.ends_ns is None:
        return ["a recording without any frame says nothing of a change"]
    shared_ns = min(one.ends_ns, other.ends_ns) - max(one.starts_ns, other.starts_ns)
    if shared_ns > 0:
        return [f"the recordings have {duration(shared_ns)} in common, so they are no two observations"]
    if one.starts_ns > other.starts_ns:
        when = f"{day(one.starts_ns)} {clock(one.starts_ns)[:8]}"
        return [f"the recording called before began at {when} UTC, later than the one called after"]
    return []
