"""Captures and limits in, the whole reading out: the recording and its devices, as plain dictionaries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from tests.oracle.connections import connections, drop_copies
from tests.oracle.figures import Limit, Span, device_figures, iso
from tests.oracle.frames import Frame, read_frames
from tests.oracle.layers import decode
from tests.oracle.matching import Matching, Transaction, match
from tests.oracle.messages import Message, Traffic, traffic
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
        return {"recording": _recording([], [], 0), "devices": {}}
    segments = [segment for i, frame in enumerate(frames) if (segment := decode(i, frame))]
    wanted = frozenset(ports)
    modbus = [s for s in segments if s.source[1] in wanted or s.target[1] in wanted]
    kept, copies = drop_copies(modbus)
    observed = [traffic(connection) for connection in connections(kept, wanted)]
    matched = match(observed, [frame.time_ns for frame in frames])
    return {
        "recording": _recording(frames, observed, copies),
        "devices": _devices(matched, _span(frames), limits or {}, default),
    }


def device_name(server: tuple[str, int], unit: int) -> str:
    host = f"[{server[0]}]" if ":" in server[0] else server[0]
    return f"{host}:{server[1]}/{unit}"


def _span(frames: list[Frame]) -> Span:
    times = [frame.time_ns for frame in frames]
    return Span(min(times), max(times))


def _recording(frames: list[Frame], observed: list[Traffic], copies: int) -> dict[str, Any]:
    span = _span(frames) if frames else None
    holes = [hole for one in observed for hole in (*one.request_holes, *one.reply_holes)]
    return {
        "frames": len(frames),
        "bytes": sum(len(frame.data) for frame in frames),
        "starts": iso(span.starts_ns) if span else None,
        "ends": iso(span.ends_ns) if span else None,
        "span_s": seconds(span.length_ns) if span else None,
        "modbus_messages": sum(isinstance(event, Message) for one in observed for event in one.events),
        "repeated_frames": copies,
        "cut_short_frames": sum(len(frame.data) < frame.original for frame in frames),
        "unrecorded_bytes": sum(count for count, _ in holes),
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
            sorted(requests[name], key=lambda one: (one.request.frame, one.request.place)),
            [service[id(one)] for one in requests[name] if one.answered],
            orphans[name],
            span,
            limits.get(name, default),
        )
        for name in sorted({*requests, *orphans})
    }


def _service_times(matched: list[Matching]) -> dict[int, int]:
    """For each answered transaction: reply less the later of request and previous reply of the endpoint."""
    replies: dict[tuple[str, int], list[tuple[int, int, int, Transaction | None]]] = defaultdict(list)
    for one in matched:
        server, times_ns = one.traffic.connection.server, one.times_ns
        answers = {id(t.reply): t for t in one.transactions if t.answered}
        for event in one.traffic.events:
            if isinstance(event, Message) and not event.from_client:
                entry = (event.frame, event.place, times_ns[event.frame], answers.get(id(event)))
                replies[server].append(entry)
    result = {}
    for entries in replies.values():
        ordered = sorted(entries, key=lambda entry: entry[:2])
        previous_ns = 0
        for _, _, time_ns, transaction in ordered:
            if transaction is not None:
                result[id(transaction)] = time_ns - max(transaction.time_ns, previous_ns)
            previous_ns = time_ns
    return result
