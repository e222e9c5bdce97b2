"""One UDP datagram in, message rows out: MBAP messages, or frames in serial framing, that it holds whole.

There are no sequence numbers: order is the order recorded, and what is missing leaves no trace.
"""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.connections import FULL, K_PORTS, UDP_KEY, enter_connection, hash_key, is_known, write_key
from mbsniff.wire.copies import is_copy, print_of, remember_print
from mbsniff.wire.cut import HEADER, SHORTEST, emit, is_header
from mbsniff.wire.framing import emit_rtu, is_serial
from mbsniff.wire.link import IPV4
from mbsniff.wire.load import Bytes, Columns, u16, u32
from mbsniff.wire.rows import CLIENT, SERVER
from mbsniff.wire.rtu import rtu_length
from mbsniff.wire.state import (
    C_CONNECTIONS,
    C_DATAGRAMS,
    C_FRAMES_MODBUS,
    C_REPEATED,
    C_ROWS,
    C_SKIPPED,
    C_UNDECODABLE,
    C_VALUES,
    DONE,
    GROW_CONNECTIONS,
    HEARD,
    MBAP,
    ROOM,
    RTU,
)

UDP_HEADER = 8  # RFC 768


@rare
def take_datagram(
    data: Bytes, ip: int, udp: int, end: int, wire_end: int, version: int, time_ns: int, frame: int,
    ports: Bytes, multipliers: Columns, keys: Columns, slots: Columns, state: Columns, rows: Columns,
    most_rows: int, values: Bytes, most_values: int, carry: Columns,
) -> int:  # fmt: skip
    """Take the datagram whose header is at ``udp``, if it is of a server port; DONE, or what must grow before.

    Its recorded bytes end at ``end``, those on the wire at ``wire_end`` by IP's count.
    """
    source = u16(data, udp)
    target = u16(data, udp + 2)
    if not ports[source] and not ports[target]:
        return DONE
    length = u16(data, udp + 4)
    if length < UDP_HEADER or udp + length > wire_end:
        carry[C_UNDECODABLE] += 1
        return DONE
    new = carry[C_CONNECTIONS]
    if new + 1 >= len(state) or new * 2 >= len(slots):
        return GROW_CONNECTIONS
    if carry[C_ROWS] > most_rows or carry[C_VALUES] > most_values:
        return ROOM
    side = CLIENT if ports[target] else SERVER
    if ports[source] and ports[target]:  # whoever was spoken to first is the server
        _write_key(keys, new, data, ip, version, source, target, SERVER)
        side = SERVER if is_known(keys, slots, len(slots), new, hash_key(keys, new, multipliers)) else CLIENT
    _write_key(keys, new, data, ip, version, source, target, side)
    c = enter_connection(new, multipliers, keys, slots, state, carry)
    if c == FULL:
        return GROW_CONNECTIONS
    at = udp + UDP_HEADER
    size = length - UDP_HEADER
    seen = end - at if end - at < size else size
    carry[C_FRAMES_MODBUS] += 1
    carry[C_DATAGRAMS] += 1
    identification = u16(data, ip + 4) if version == IPV4 else 0
    mark = print_of(u32(data, at) if seen >= 4 else 0, u16(data, udp + 6), identification, 0, size)
    if is_copy(c, side, mark, time_ns, state):
        carry[C_REPEATED] += 1
        return DONE
    remember_print(c, side, mark, time_ns, state)
    done = _take_messages(data, at, seen, size, c, side, time_ns, frame, state, rows, values, carry)
    if done < size:
        carry[C_UNDECODABLE] += 1
        carry[C_SKIPPED] += seen - done if seen > done else 0
    return DONE


@helper
def _write_key(
    keys: Columns, row: int, data: Bytes, ip: int, version: int, source: int, target: int, side: int
) -> None:
    ports = source << 16 | target if side == CLIENT else target << 16 | source
    write_key(keys, row, data, ip, version, ports, side)
    keys[row, K_PORTS] |= UDP_KEY


@rare
def _take_messages(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, time_ns: int, frame: int,
    state: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> int:  # fmt: skip
    """Emit the messages that stand one after the other; how many bytes they take."""
    done = 0
    if size > 0 and seen == size and not state[c, HEARD] & MBAP and is_serial(data, at, size, side):
        state[c, HEARD] |= RTU
        while done < size:
            length = rtu_length(data, at + done, size - done, side)
            if length <= 0 or length > size - done:
                return done
            emit_rtu(data, at + done, length, length, c, side, -1, time_ns, frame, state, rows, values, carry)
            done += length
        return done
    while done < size and seen - done >= HEADER + SHORTEST and is_header(data, at + done):
        length = HEADER + u16(data, at + done + 4)
        if length > size - done:
            return done
        here = seen - done if seen - done < length else length
        emit(data, at + done, here, length, c, side, -1, time_ns, frame, state, rows, values, carry)
        state[c, HEARD] = (state[c, HEARD] | MBAP) & ~RTU
        done += length
    return done
