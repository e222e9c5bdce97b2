"""Frames as nearly all are in, their message rows out: what the loop would make of them, only sooner.

Plain is: Ethernet, at most one VLAN tag, IPv4 without options, a known connection in order on both sides that
speaks MBAP, one whole message or none, and an open window. Anything else is left to the loop, untouched. Captures
that are alike but for a second VLAN tag go the other way, so that tests hold both ways against each other.
"""

from __future__ import annotations

from mbsniff.capture.frames import CAPTURED, LINK, POSITION, TIME_NS
from mbsniff.compiled import helper, rare
from mbsniff.wire.connections import is_ipv4_key, recent_place
from mbsniff.wire.control import ACK_BIT, FIN_BIT, RST_BIT, SYN_BIT
from mbsniff.wire.copies import is_copy, print_of, remember_print
from mbsniff.wire.cut import HEADER, SHORTEST, emit, is_header
from mbsniff.wire.events import note_acknowledgement
from mbsniff.wire.ip import TCP, TRAILER_BYTES, TRAILER_SUFFIX
from mbsniff.wire.link import ETHERTYPE_IPV4, LINK_ETHERNET, TAG_8021Q
from mbsniff.wire.load import INDEX, Bytes, Columns, u16, u32
from mbsniff.wire.rows import CLIENT, SERVER
from mbsniff.wire.sequence import ahead
from mbsniff.wire.state import (
    BOTH_HEARD,
    C_CONNECTIONS,
    C_FRAMES_MODBUS,
    C_ORDINAL,
    C_REPEATED,
    C_ROWS,
    C_VALUES,
    HEARD,
    HELD,
    IN_STEP,
    MBAP,
    NEXT,
    PART,
    SEEN_NS,
    SIDE_COLUMNS,
)

ETHERNET_BYTES = 14
IPV4_BYTES = 20
TCP_BYTES = 20
DONT_FRAGMENT_OR_NONE = 0xBFFF  # flags and offset but for "do not fragment" (RFC 791, 3.1)


@rare
def plain_frames(
    data: Bytes, frames: Columns, first: int, ports: Bytes, keys: Columns, recent: Columns, state: Columns,
    rows: Columns, most_rows: int, values: Bytes, most_values: int, carry: Columns,
) -> int:  # fmt: skip
    """Take frames from row ``first`` on as long as they are plain; the row of the first one that is not.

    Stops also where more than ``most_rows`` rows or ``most_values`` bytes of the value pool are filled.
    """
    i = first & INDEX
    count = len(frames)
    while i < count and carry[C_ROWS] <= most_rows and carry[C_VALUES] <= most_values:
        at = frames[i, POSITION] & INDEX
        end = at + (frames[i, CAPTURED] & INDEX)
        ip = at + ETHERNET_BYTES
        if frames[i, LINK] != LINK_ETHERNET or end - ip < IPV4_BYTES + TCP_BYTES:
            return i
        if u16(data, ip - 2) == TAG_8021Q:
            ip += 4
        tcp = ip + IPV4_BYTES
        segment_end = ip + u16(data, ip + 2)
        if not _is_plain_ipv4(data, ip) or segment_end > end:
            return i
        if end - tcp < TCP_BYTES:
            return i
        if segment_end + TRAILER_BYTES <= end and u16(data, end - 2) == TRAILER_SUFFIX:
            return i
        source = u16(data, tcp)
        target = u16(data, tcp + 2)
        side = CLIENT if ports[target] else SERVER
        word = u32(data, tcp + 12)  # header length, flags, window
        size = segment_end - tcp - (word >> 28) * 4
        if (ports[source] != 0) == (side == CLIENT) or word < 0x5000_0000 or size < 0:
            return i
        if word & 0xFFFF == 0:
            return i
        from_address = u32(data, ip + 12)
        to_address = u32(data, ip + 16)
        ports_key = source << 16 | target if side == CLIENT else target << 16 | source
        c = recent[recent_place(from_address, to_address, ports_key)] & INDEX
        client = from_address if side == CLIENT else to_address
        server = to_address if side == CLIENT else from_address
        if c >= carry[C_CONNECTIONS] or not is_ipv4_key(keys, c, ports_key, client, server):
            return i
        flags = word >> 16 & 0xFF
        sequence = u32(data, tcp + 4)
        mark = print_of(sequence, u16(data, tcp + 16), u16(data, ip + 4), flags, size)
        time_ns = frames[i, TIME_NS]
        i = (i + 1) & INDEX
        if is_copy(c, side, mark, time_ns, state):
            carry[C_FRAMES_MODBUS] += 1
            carry[C_REPEATED] += 1
            continue
        ack = u32(data, tcp + 8)
        begin = (segment_end - size) & INDEX
        if not _is_next(data, begin, size, c, side, sequence, ack, flags, state):
            return i - 1
        carry[C_FRAMES_MODBUS] += 1
        remember_print(c, side, mark, time_ns, state)
        frame = carry[C_ORDINAL] + i - 1
        if size > 0:
            following = (sequence + size) & 0xFFFFFFFF
            emit(
                data, begin, size, size, c, side, following, time_ns, frame,
                state, rows, values, carry,
            )  # fmt: skip
            state[c, side * SIDE_COLUMNS + NEXT] = following
            state[c, side * SIDE_COLUMNS + SEEN_NS] = time_ns
        note_acknowledgement(c, side, size, ack, time_ns, frame, state, rows, carry)
    return i


@helper
def _is_plain_ipv4(data: Bytes, ip: int) -> bool:
    """An IPv4 header without options, of TCP, and no fragment; its EtherType stands right before it."""
    return (
        u16(data, ip - 2) == ETHERTYPE_IPV4
        and data[ip] == 0x45
        and data[ip + 9] == TCP
        and u16(data, ip + 6) & DONT_FRAGMENT_OR_NONE == 0
    )


@helper
def _is_next(
    data: Bytes, at: int, size: int, c: int, side: int, sequence: int, ack: int, flags: int, state: Columns
) -> bool:
    """Whether the segment simply goes on, on both sides, with one whole message or with none."""
    mine = side * SIDE_COLUMNS
    yours = (side ^ 1) * SIDE_COLUMNS
    if (
        flags & (SYN_BIT | RST_BIT | FIN_BIT | ACK_BIT) != ACK_BIT
        or sequence != state[c, mine + NEXT]
        or state[c, HEARD] != BOTH_HEARD | MBAP
        or state[c, HELD] >= 0
        or ahead(ack, state[c, yours + NEXT]) > 0
    ):
        return False
    if size == 0:
        return True
    return (
        size >= HEADER + SHORTEST
        and state[c, mine + PART] == IN_STEP
        and is_header(data, at)
        and HEADER + u16(data, at + 4) == size
    )
