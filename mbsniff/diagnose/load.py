"""Block sizes and reads a second against the limits in, findings out; reads that fewer requests could do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.finding import Evidence, Finding
from mbsniff.diagnose.wording import NS_PER_S, addresses, clock, counted, listed
from mbsniff.exchange.columns import LATE, ORPHAN, STATUS_MASK, UNANSWERED
from mbsniff.measure import DeviceFigures, PollFigures
from mbsniff.measure.figures import Load
from mbsniff.measure.groups import READS
from mbsniff.site import READ_TABLES, WRITE_TABLES
from mbsniff.wire.functions import FUNCTIONS

REGISTER_READS = (3, 4, 23)
SERVER_BUSY = 6
DOUBLED = "; the clock went back over that time, so that reads of two moments may lie in it"
MOST_REFUSED = 100  # refused blocks that are looked at, however many there are


def load_findings(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """All that is found of what is asked of a device."""
    yield from _long_blocks(case, device)
    if device.regular:
        yield from _dense_reads(case, device)
        yield from _scattered(case, device)


def largest_block(device: DeviceFigures) -> int | None:
    """The most registers asked for in one read."""
    sizes = [q for f in REGISTER_READS for q in device.block_sizes.get(f, {})]
    return max(sizes, default=None)


def _long_blocks(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    limit = device.limits.max_block
    if limit is None:
        return
    polls = [
        p
        for p in device.polls
        if p.function in REGISTER_READS and p.quantity is not None and p.quantity > limit
    ]
    if not polls:
        return
    what = listed(
        [f"{asked(p, device)} by {case.master_name(p.master)} ({counted(p.count, 'time')})" for p in polls]
    )
    text = f"reads of more than {limit} registers at once: {what}"
    rows = case.transactions(device)
    own = rows[np.isin(case.exchange.poll[rows], [p.row for p in polls])]
    times = case.exchange.request_ns[own[[0, -1]]].tolist()
    yield found(
        "block-too-long", "fault", device, text, at=(times[0], times[1]),
        evidence=case.request_frames(own.tolist()),
    )  # fmt: skip


def asked(poll: PollFigures, device: DeviceFigures) -> str:
    """A poll in words: "read holding registers 0-15 (function 3)", with the manual's numbers where they differ."""
    kind = FUNCTIONS.get(poll.function)
    where = places(poll, device)
    if kind is None:
        return f"function {poll.function}"
    return " ".join(filter(None, [kind.name, where, f"(function {poll.function})"]))


def places(poll: PollFigures, device: DeviceFigures) -> str:
    """The addresses that a poll asks for, with the manual's numbers where they are known and differ."""
    table = READ_TABLES.get(poll.function) or WRITE_TABLES.get(poll.function)
    return addresses(poll.start, poll.quantity, table, device.limits.numbering)


def _dense_reads(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """The endpoint's limit, over all its units and masters; told once, at one of its devices."""
    limit = device.limits.max_reads_per_s
    if limit is None or not case.bears_the_limit(device):
        return
    endpoint = case.endpoint(device)
    cyclic = Counter(
        poll.master
        for each in case.devices_at(device)
        for poll in each.polls
        if poll.function in READS and poll.kind == "cyclic"
    )
    if _is_over(endpoint.load, limit, cyclic.total()):
        yield _over(case, device, limit, cyclic)
    elif endpoint.load.second.reads > limit and not _second_is_doubled(case, endpoint.load):
        yield _burst(case, device, limit)


def _second_is_doubled(case: Case, load: Load) -> bool:
    """Whether the busiest second is one over which the clock went back."""
    begin = load.second.from_ns or 0
    return case.facts.is_doubled(begin, begin + load.second.width_ns)


def _is_over(load: Load, limit: float, polls: int) -> bool:
    """Whether the mean over 10 s is above the limit by more than jitter: one read more for each cyclic poll."""
    allowance = min(polls, max(int(limit), 1))
    return load.ten_seconds.reads - allowance > 10 * limit


def _over(case: Case, device: DeviceFigures, limit: float, cyclic: Counter[str]) -> Finding:
    endpoint = case.endpoint(device)
    window = endpoint.load.ten_seconds
    alone = [m for m, load in endpoint.by_master.items() if _is_over(load, limit, cyclic[m])]
    shares = listed(
        [
            f"{case.master_name(m)} at most {load.ten_seconds.reads / 10:.1f}/s"
            for m, load in sorted(endpoint.by_master.items(), key=lambda kv: -kv[1].ten_seconds.reads)
        ]
    )
    code = "reads-too-dense" if alone or len(endpoint.by_master) == 1 else "masters-sum-over"
    together = "" if code == "reads-too-dense" else "no master alone, but all together ask too much: "
    text = (
        f"{together}{window.reads / 10:.1f} reads/s over 10 s from {clock(window.from_ns or 0)}, limit {limit:g} "
        f"({shares}); busiest second {endpoint.load.second.reads}"
    )
    until = (window.from_ns or 0) + window.width_ns
    doubled = case.facts.is_doubled(window.from_ns or 0, until)
    return found(
        code, "risk" if doubled else "fault", device, text + (DOUBLED if doubled else ""),
        at=(window.from_ns, until), evidence=_frames_from(case, device, window.from_ns or 0),
        certainty="open" if doubled else "certain",
    )  # fmt: skip


def _burst(case: Case, device: DeviceFigures, limit: float) -> Finding:
    second = case.endpoint(device).load.second
    begin = second.from_ns or 0
    trouble = _trouble(case, device, begin, begin + second.width_ns)
    text = (
        f"{second.reads} reads in the second from {clock(begin)}, limit {limit:g}, while the mean keeps to it"
    )
    if trouble:
        text += f"; {counted(trouble, 'reply', 'replies')} late, missing or busy in that second"
    return found(
        "reads-too-dense", "fault" if trouble else "remark", device, text, at=(begin, begin + second.width_ns),
        evidence=_frames_from(case, device, begin), certainty="likely" if trouble else "certain",
    )  # fmt: skip


def _trouble(case: Case, device: DeviceFigures, from_ns: int, until_ns: int) -> int:
    """Requests to the endpoint in a stretch whose replies were missing, late or busy (06)."""
    rows = case.requests_between(_places(case, device), from_ns, until_ns)
    kinds = case.exchange.status[rows] & STATUS_MASK
    bad = (kinds == UNANSWERED) | (kinds == LATE) | (case.exchange.exception[rows] == SERVER_BUSY)
    return int(np.count_nonzero(bad & (kinds != ORPHAN)))


def _places(case: Case, device: DeviceFigures) -> NDArray[np.int64]:
    return np.array([each.index for each in case.devices_at(device)], np.int64)


def _frames_from(case: Case, device: DeviceFigures, begin_ns: int) -> tuple[Evidence, ...]:
    """The first requests to the endpoint in the second from ``begin_ns`` on."""
    rows = case.requests_between(_places(case, device), begin_ns, begin_ns + NS_PER_S)
    first = np.argsort(case.exchange.request_ns[rows], kind="stable")[:4]
    return case.request_frames(rows[first].tolist())


def _scattered(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """Neighbouring cyclic reads of one master and function, of like period, that fewer blocks would cover."""
    refusing = case.figures.exceptions_by_poll
    groups: dict[tuple[str, int], list[PollFigures]] = {}
    refused: dict[int, list[tuple[int, int]]] = {}
    for poll in device.polls:
        if poll.function not in (1, 2, 3, 4) or poll.start is None or not poll.quantity:
            continue
        if poll.row in refusing:
            refused.setdefault(poll.function, []).append((poll.start, poll.start + poll.quantity))
        elif poll.kind == "cyclic":
            groups.setdefault((poll.master, poll.function), []).append(poll)
    for (master, function), polls in groups.items():
        needed, spans = _joined(polls, _block_limit(device, function), refused.get(function, []))
        if needed < len(polls):
            text = (
                f"{case.master_name(master)} reads {listed([places(p, device) for p in polls])} "
                f"with function {function} in {len(polls)} requests; "
                f"{counted(needed, 'block')} would do: {listed(spans)}"
            )
            yield found("scattered-reads", "remark", device, text, at=(None, None))


def _block_limit(device: DeviceFigures, function: int) -> int:
    """The device's own limit for registers, else the protocol's (V1.1b3, 6.1 to 6.4)."""
    if function in (1, 2):
        return 2000
    return device.limits.max_block or 125


def _joined(polls: list[PollFigures], limit: int, refused: list[tuple[int, int]]) -> tuple[int, list[str]]:
    """How few blocks without gaps cover the polls of like period, and which; none where reading across was refused."""
    blocks: list[list[int]] = []
    for poll in sorted(polls, key=lambda p: (p.start or 0, p.quantity or 0)):
        first, period = poll.start or 0, poll.period.median if poll.period else 0
        last = first + (poll.quantity or 1)
        if blocks:
            block = blocks[-1]
            alike = 5 * abs(period - block[2]) <= max(period, block[2])
            fits = first <= block[1] and max(last, block[1]) - block[0] <= limit
            if fits and alike and not any(begin < first < end for begin, end in refused[:MOST_REFUSED]):
                block[1] = max(last, block[1])
                continue
        blocks.append([first, last, period])
    return len(blocks), [addresses(b[0], b[1] - b[0]) for b in blocks]
