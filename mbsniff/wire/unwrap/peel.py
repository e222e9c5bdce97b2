"""Frames in, the same rows out, each hidden frame replaced by the plain one within it, where it lies."""

from __future__ import annotations

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION, TIME_NS
from mbsniff.compiled import helper, kernel, rare
from mbsniff.wire.ip import ENCLOSES, FRAGMENT, ROUTING, TRAILER, tcp_segment
from mbsniff.wire.link import (
    ETHERTYPE_HSR,
    ETHERTYPE_REDUNDANCY,
    LINK_ETHERNET,
    LINK_NOTHING,
    LINK_RAW,
    NOT_IP,
    UNKNOWN_LINK,
    by_ethertype,
    hides_ip,
    hiding_ethertype,
    is_foreign,
    network_header,
)
from mbsniff.wire.load import INDEX, Bytes, Columns, u16
from mbsniff.wire.unwrap.above_ip import above_ip
from mbsniff.wire.unwrap.below_ip import below_ip
from mbsniff.wire.unwrap.layers import DAMAGED, FOREIGN, L_PRP, S_COPIES, S_DEEP, TYPED
from mbsniff.wire.unwrap.redundancy import is_duplicate

MOST_LAYERS = 16

# What is left to Python: a fragment, a routing header, or a protocol for the slow way, and where it lies.
J_KIND = 0  # FRAGMENT, ROUTING, or FOREIGN less the protocol's number
J_IP = 1  # the IP header's place, -1 where there is none
J_AT = 2  # the place of the header that needs it
J_END = 3  # where the recorded bytes end
J_WIRE_END = 4  # and where those on the wire did
JOB_COLUMNS = 5

DONE = 0
NEEDS_PYTHON = 1


@kernel
def peel_frames(data: Bytes, rows: Columns, first: int, counts: Columns, seen: Columns, job: Columns) -> int:
    """Unwrap rows from ``first`` on, in place; the row that needs Python (see ``job``), or how many rows there are."""
    i = first
    while 0 <= i < len(rows):
        if _peel(data, rows, i, counts, seen, job) == NEEDS_PYTHON:
            return i
        i += 1
    return len(rows)


@rare
def _peel(data: Bytes, rows: Columns, i: int, counts: Columns, seen: Columns, job: Columns) -> int:
    """One frame, layer by layer; plain frames stay as they are."""
    kind = rows[i, LINK]
    at = rows[i, POSITION] & INDEX
    end = at + rows[i, CAPTURED]
    wire_end = at + rows[i, ORIGINAL]
    time_ns = rows[i, TIME_NS]
    ether = -1  # the place of the innermost Ethernet header
    for _ in range(MOST_LAYERS):
        if kind == LINK_ETHERNET:
            ether = at
        if kind >= TYPED:
            version, header = by_ethertype(kind - TYPED, data, at, end)
        else:
            version, header = network_header(data, at, end, kind)
        header &= INDEX
        what = -1
        if version == NOT_IP and kind >= TYPED and header == at:
            what = kind - TYPED if hides_ip(kind - TYPED, data, at, end) else -1
        elif version == NOT_IP:
            what = hiding_ethertype(data, at, header, end, kind if kind < TYPED else LINK_ETHERNET)
        elif version == UNKNOWN_LINK and is_foreign(kind):
            return _leave(job, FOREIGN, -1, header, end, wire_end)
        if version <= NOT_IP and what < 0:
            if kind < TYPED:
                return _settle(rows, i, kind, at, end, wire_end)
            return _nothing(rows, i) if version == NOT_IP else _damaged(rows, i)
        ip = -1
        if version == NOT_IP:
            kind, at, wire_end = below_ip(what, data, header, end, wire_end, counts)
            if what == ETHERTYPE_HSR or what == ETHERTYPE_REDUNDANCY:
                sequence = u16(data, header + 2) if kind >= TYPED else -1
                if _came_twice(data, ether, what, sequence, wire_end, time_ns, counts, seen):
                    return _nothing(rows, i)
        else:
            ip = header
            found, header, stop = tcp_segment(data, ip, end, wire_end, version)
            if found < ENCLOSES:
                if kind >= TYPED:
                    return _settle(rows, i, LINK_RAW, ip, end, wire_end)
                return _settle(rows, i, kind, at, end, wire_end)
            what = found - ENCLOSES
            header &= INDEX
            if what == TRAILER:
                counts[L_PRP] += 1
                sequence = u16(data, wire_end - 6)
                if _came_twice(data, ether, TRAILER, sequence, wire_end, time_ns, counts, seen):
                    return _nothing(rows, i)
            wire_end = stop
            end = end if end < stop else stop
            if what == FRAGMENT or what == ROUTING:
                return _leave(job, what, ip, header, end, wire_end)
            if what != TRAILER:
                kind, at, wire_end = above_ip(what, data, header, end, wire_end, counts)
        at &= INDEX
        end = end if end < wire_end else wire_end
        if kind <= FOREIGN:
            return _leave(job, kind, ip, at, end, wire_end)
        if kind == DAMAGED or at > end:
            return _damaged(rows, i)
        if kind < 0:
            return _nothing(rows, i)
    counts[S_DEEP] += 1
    return _nothing(rows, i)


@helper
def _settle(rows: Columns, i: int, link: int, at: int, end: int, wire_end: int) -> int:
    """Have the row say where the plain frame lies."""
    rows[i, LINK] = link
    rows[i, POSITION] = at
    rows[i, CAPTURED] = end - at
    rows[i, ORIGINAL] = wire_end - at
    return DONE


@helper
def _damaged(rows: Columns, i: int) -> int:
    """A packet without a byte: the wire loop counts it as undecodable."""
    rows[i, LINK] = LINK_RAW
    rows[i, CAPTURED] = 0
    return DONE


@helper
def _nothing(rows: Columns, i: int) -> int:
    rows[i, LINK] = LINK_NOTHING
    return DONE


@helper
def _leave(job: Columns, kind: int, ip: int, at: int, end: int, wire_end: int) -> int:
    job[J_KIND] = kind
    job[J_IP] = ip
    job[J_AT] = at
    job[J_END] = end
    job[J_WIRE_END] = wire_end
    return NEEDS_PYTHON


@rare
def _came_twice(
    data: Bytes,
    ether: int,
    kind: int,
    sequence: int,
    wire_end: int,
    time_ns: int,
    counts: Columns,
    seen: Columns,
) -> bool:
    """Whether the network carried this frame twice; not to be told without hardware addresses."""
    if ether < 0 or sequence < 0:
        return False
    if is_duplicate(data, ether & INDEX, kind, sequence, wire_end - ether, time_ns, seen):
        counts[S_COPIES] += 1
        return True
    return False
