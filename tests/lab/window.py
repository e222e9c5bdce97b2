"""Frames of a recording and the time of what was planted → questions to them; no line of mbsniff."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from tests.lab.frames import ACK, RST, SYN, Frame

Rows = tuple[Frame, ...]


class Window:
    """The frames of a recording before, within and after what was planted."""

    def __init__(self, rows: Rows, from_s: float, until_s: float, margin_s: float = 0.3) -> None:
        self.rows, self.from_s, self.until_s = rows, from_s, until_s
        self.before = tuple(f for f in rows if f.at_s < from_s - margin_s)
        self.within = tuple(f for f in rows if from_s + margin_s < f.at_s < until_s - margin_s)
        self.after = tuple(f for f in rows if f.at_s > until_s + margin_s)
        self.around = tuple(f for f in rows if from_s - margin_s < f.at_s < until_s + margin_s)


def requests(rows: Iterable[Frame], by: str = "plc", to: str = "") -> Rows:
    """Modbus requests that a master sent; each sighting counts."""
    return tuple(f for f in rows if f.by == by and f.dport == 502 and f.data and to in ("", f.target))


def replies(rows: Iterable[Frame], by: str) -> Rows:
    """Modbus replies that a device sent."""
    return tuple(f for f in rows if f.by == by and f.sport == 502 and f.data)


def sent(rows: Iterable[Frame], by: str) -> Rows:
    """All that a host sent."""
    return tuple(f for f in rows if f.by == by)


def attempts(rows: Iterable[Frame], to: str, by: str = "plc") -> Rows:
    """Attempts of a master to connect to a device."""
    return tuple(f for f in rows if f.by == by and f.target == to and f.has(SYN))


def ports(rows: Iterable[Frame], to: str, by: str = "plc") -> set[int]:
    """The client ports from which a master sent requests to a device."""
    return {f.sport for f in requests(rows, by, to)}


def again(rows: Iterable[Frame], to: str) -> int:
    """How often a master's requests to a device were sent again by TCP: same port, same sequence number."""
    seen = [(f.sport, f.seq) for f in requests(rows, to=to)]
    return len(seen) - len(set(seen))


def asked_for(rows: Iterable[Frame], whom: str) -> int:
    """How often somebody else asked for the hardware address of a host (ARP)."""
    return sum(f.kind == "arp" and f.is_request and f.target == whom != f.source for f in rows)


def pings_answered(rows: Iterable[Frame], by: str = "plc") -> int:
    """ICMP echo replies of a host."""
    return sum(f.kind == "icmp" and not f.is_request for f in sent(rows, by))


def reply_times_s(rows: Rows, device: str, master: str = "plc") -> list[tuple[float, float]]:
    """(time of the request, time to its reply) of a device's reads by a master, by port and transaction identifier."""
    asked: dict[tuple[int, int], float] = {}
    for frame in requests(rows, master, device):
        if frame.function == 3:
            asked.setdefault(frame.transaction, frame.at_s)
    answers = {f.transaction: f.at_s for f in reversed(replies(rows, device)) if f.function == 3}
    return [(at_s, answers[key] - at_s) for key, at_s in asked.items() if key in answers]


def longest_gap_s(rows: Iterable[Frame]) -> float:
    """The longest time between two of these frames."""
    return max((b.at_s - a.at_s for a, b in pairwise(rows)), default=0.0)


def is_refused(attempt: Frame, rows: Rows) -> bool:
    """Whether the next segment to this port is a reset, from the device's own hardware address (RFC 9293, 3.5.2)."""
    for frame in rows:
        if frame.at_s > attempt.at_s and frame.dport == attempt.sport:
            return frame.by == attempt.target and frame.has(RST, ACK) and frame.ack == attempt.seq + 1
    return False


def reads_per_s(w: Window, device: str, from_s: float, until_s: float) -> float:
    """Reads of a device by all masters together, a second."""
    asked = [f for f in w.rows if f.target == device and f.dport == 502 and f.function == 3]
    return sum(from_s <= f.at_s < until_s for f in asked) / max(until_s - from_s, 0.001)
