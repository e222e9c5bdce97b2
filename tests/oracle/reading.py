"""Captures and limits in, the whole reading out: the recording and its devices, as plain dictionaries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from tests.oracle.connections import connections
from tests.oracle.figures import Limit, Span, device_figures, iso
from tests.oracle.frames import Frame, read_frames
from tests.oracle.layers import decode
from tests.oracle.matching import Matching, Transaction, match
from tests.oracle.messages import Message, Traffic, traffic
from tests.oracle.order import Hole
from tests.oracle.quantiles import seconds

NO_LIMIT = Limit()


def read_captures(
    paths: Iterable[str | Path],
    limits: Mapping[str, Limit] | None = None,
    *,
    default: Limit = NO_LIMIT,
    ports: Iterable[int] = (502,),
) -> dict[str, Any]:
    """Read captures as one recording.

    ``limits`` by device, such as ``"192.0.2.50:502/1"``; ``default`` for all others. Returns
    ``{"recording": {...}, "devices": {device: {...}}}``.
    """
    frames = read_frames(list(paths))
    if not frames:
        return {"recording": _recording([], []), "devices": {}}
    segments = [segment for i, frame in enumerate(frames) if (segment := decode(i, frame))]
    observed = [traffic(connection) for connection in connections(segments, frozenset(ports))]
    matched = match(observed, [frame.time_ns for frame in frames])
    return {
        "recording": _recording(frames, observed),
        "devices": _devices(matched, _span(frames), limits or {}, default),
    }


def device_name(server: tuple[str, int], unit: int) -> str:
    host = f"[{server[0]}]" if ":" in server[0] else server[0]
    return f"{host}:{server[1]}/{unit}"


def _span(frames: list[Frame]) -> Span:
    times = [frame.time_ns for frame in frames]
    return Span(min(times), max(times))


def _recording(frames: list[Frame], observed: list[Traffic]) -> dict[str, Any]:
    span = _span(frames) if frames else None
    events = [event for one in observed for event in one.events]
    return {
        "frames": len(frames),
        "bytes": sum(len(frame.data) for frame in frames),
        "starts": iso(span.starts_ns) if span else None,
        "ends": iso(span.ends_ns) if span else None,
        "span_s": seconds(span.length_ns) if span else None,
        "modbus_messages": sum(isinstance(event, Message) for event in events),
        "repeated_frames": sum(one.connection.copies for one in observed),
        "cut_short_frames": sum(len(frame.data) < frame.original for frame in frames),
        "unrecorded_bytes": sum(event.length for event in events if isinstance(event, Hole)),
    }


def _devices(
    matched: list[Matching], span: Span, limits: Mapping[str, Limit], default: Limit
) -> dict[str, dict[str, Any]]:
    requests: dict[str, list[Transaction]] = defaultdict(list)
    orphans: dict[str, int] = defaultdict(int)
    for one in matched:
        for transaction in one.transactions:
            requests[device_name(transaction.server, transaction.request.unit)].append(transaction)
        for message in one.orphans:
            orphans[device_name(one.traffic.connection.server, message.unit)] += 1
    service = _service_times(matched)
    return {
        name: device_figures(
            sorted(requests[name], key=lambda one: (one.time_ns, one.request.frame, one.request.place)),
            [service[id(one)] for one in requests[name] if one.answered],
            orphans[name],
            span,
            limits.get(name, default),
        )
        for name in sorted({*requests, *orphans})
    }


def _service_times(matched: list[Matching]) -> dict[int, int]:
    """For each answered transaction: reply less the later of request and previous reply of the endpoint."""
    replies: dict[tuple[str, int], list[tuple[tuple[int, ...], int, Transaction | None]]] = defaultdict(list)
    for one in matched:
        server = one.traffic.connection.server
        for t in one.transactions:
            if t.reply:
                place = (t.reply.frame, t.time_ns, t.request.unit, t.request.frame, t.request.place)
                replies[server].append((place, t.reply_ns, t if t.answered else None))
        for message in one.orphans:
            time_ns = one.times_ns[message.frame]
            place = (message.frame, time_ns, message.unit, message.frame, message.place)
            replies[server].append((place, time_ns, None))
    result = {}
    for entries in replies.values():
        previous_ns = 0
        for _, time_ns, transaction in sorted(entries, key=lambda entry: entry[0]):
            if transaction is not None:
                result[id(transaction)] = max(time_ns - max(transaction.time_ns, previous_ns), 0)
            previous_ns = time_ns
    return result
