"""The wire loop: raw frames in, message rows out, one pass, state carried from batch to batch."""

from __future__ import annotations

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION
from mbsniff.capture.frames import TIME_NS as FRAME_TIME_NS
from mbsniff.compiled import helper, kernel, rare
from mbsniff.wire.connections import (
    FULL,
    enter_connection,
    hash_key,
    is_ipv4_key,
    is_known,
    recent_place,
    write_key,
)
from mbsniff.wire.control import (
    ACK_BIT,
    FIN_BIT,
    RST_BIT,
    SYN_BIT,
    UNSEEN,
    begin_anew,
    is_alien,
    take_reset,
    take_syn,
)
from mbsniff.wire.copies import is_copy, print_of, remember_print
from mbsniff.wire.cut import take_mbap
from mbsniff.wire.datagram import take_datagram
from mbsniff.wire.events import add_event, note_acknowledgement, note_window
from mbsniff.wire.ip import DAMAGED, DATAGRAM, ENCLOSES, FOUND, LONGEST, tcp_segment
from mbsniff.wire.link import IPV4, NOT_IP, TOO_SHORT, UNKNOWN_LINK, may_hide_ip, network_header
from mbsniff.wire.load import INDEX, Bytes, Columns, u16, u32
from mbsniff.wire.order import (
    drain,
    first_sight,
    follow_unheard,
    hold,
    in_order,
    take_segment,
)
from mbsniff.wire.plain import plain_frames
from mbsniff.wire.rows import CLIENT, OPENING, PROBE, SERVER
from mbsniff.wire.sequence import ahead
from mbsniff.wire.state import (
    BOTH_HEARD,
    C_ASIDE,
    C_CONNECTIONS,
    C_FRAME,
    C_FRAMES_MODBUS,
    C_FREE_PARTS,
    C_HELD_LEFT,
    C_ORDINAL,
    C_REPEATED,
    C_ROWS,
    C_SECURED,
    C_UNDECODABLE,
    C_UNKNOWN_LINK,
    C_VALUES,
    DONE,
    GROW_CONNECTIONS,
    GROW_HELD,
    GROW_PARTS,
    HEARD,
    HELD,
    HELD_BYTES,
    HIDDEN_FRAME,
    IS_CLOSED,
    MBAP,
    MOST_HELD,
    NEXT,
    ROOM,
    SEEN_NS,
    SEGMENT_HELD,
    SIDE_COLUMNS,
)

SECURED_PORT = 802  # IANA: mbap-s, Modbus/TCP Security
HELD_ROOM = (MOST_HELD + SEGMENT_HELD) * (HELD_BYTES // 4 + 2)  # rows that a queue let go can fill
HELD_VALUES = (MOST_HELD + SEGMENT_HELD) * HELD_BYTES
MOST_ROWS = (
    LONGEST // 4 + 16 + HELD_ROOM
)  # what one frame can fill: messages of 4 bytes (8 with MBAP), events, a queue let go
MOST_VALUES = LONGEST + 256 + HELD_VALUES


UNUSUAL_RUN = 16  # frames after which plain ones are looked for again where none was


@kernel
def frames_to_rows(
    data: Bytes, frames: Columns, ports: Bytes, multipliers: Columns, keys: Columns, recent: Columns,
    slots: Columns, state: Columns, parts: Bytes, free_parts: Columns, held: Columns, held_data: Bytes,
    rows: Columns, values: Bytes, aside: Columns, carry: Columns,
) -> int:  # fmt: skip
    """Walk the batch's frames from carry[C_FRAME] on; DONE, or why the loop came back before the end.

    What else may matter is set aside: (connection + 1) << 32 | row, with connection -1 for what is no segment of one.
    """
    i = carry[C_FRAME] & INDEX
    count = len(frames)
    most_rows = len(rows) - MOST_ROWS
    most_values = len(values) - MOST_VALUES
    look_again = i
    while 0 <= i < count:
        if i >= look_again:
            plain = plain_frames(
                data, frames, i, ports, keys, recent, state, rows, most_rows, values, most_values, carry
            )
            look_again = plain + 1 if plain > i else i + UNUSUAL_RUN
            i = plain & INDEX
            if i >= count:
                break
        carry[C_FRAME] = i
        at = frames[i, POSITION] & INDEX
        end = at + frames[i, CAPTURED]
        wire_end = at + frames[i, ORIGINAL]
        i += 1
        version, ip = network_header(data, at, end, frames[i - 1, LINK])
        ip &= INDEX
        if version <= NOT_IP:
            if may_hide_ip(version, data, at, ip, end, frames[i - 1, LINK]):
                return HIDDEN_FRAME
            if version == TOO_SHORT:
                carry[C_UNDECODABLE] += 1
            elif version == UNKNOWN_LINK:
                carry[C_UNKNOWN_LINK] += 1
            else:
                _set_aside(-1, i - 1, aside, carry)
            continue
        found, tcp, segment_end = tcp_segment(data, ip, end, wire_end, version)
        if found != FOUND:
            if found == DATAGRAM:
                reason = take_datagram(
                    data, ip, tcp & INDEX, end, segment_end, version, frames[i - 1, FRAME_TIME_NS],
                    carry[C_ORDINAL] + i - 1, ports, multipliers, keys, slots, state, rows, most_rows, values,
                    most_values, carry,
                )  # fmt: skip
                if reason != DONE:
                    return reason
                _set_aside(-1, i - 1, aside, carry)
            elif found == DAMAGED:
                carry[C_UNDECODABLE] += 1
            elif found >= ENCLOSES:
                return HIDDEN_FRAME
            else:
                _set_aside(-1, i - 1, aside, carry)
            continue
        tcp &= INDEX
        if end - tcp < 4:
            carry[C_UNDECODABLE] += 1
            continue
        source = u16(data, tcp)
        target = u16(data, tcp + 2)
        if ports[target]:
            side = CLIENT
        elif ports[source]:
            side = SERVER
        else:
            if target == SECURED_PORT or source == SECURED_PORT:
                carry[C_SECURED] += 1
            continue
        header = (data[tcp + 12] & 0xF0) >> 2 if end - tcp >= 20 else 0
        if header < 20 or tcp + header > segment_end or tcp + header > end:
            carry[C_UNDECODABLE] += 1
            continue
        size = segment_end - tcp - header
        seen = end - tcp - header
        if seen > size:
            seen = size
        if carry[C_FREE_PARTS] < 3:
            return GROW_PARTS
        if carry[C_HELD_LEFT] < SEGMENT_HELD:
            return GROW_HELD
        if side == CLIENT and ports[source]:
            side = _who_serves(data, ip, tcp, version, source, target, multipliers, keys, slots, carry) & 1
        ports_key = source << 16 | target if side == CLIENT else target << 16 | source
        from_address = u32(data, ip + 12)
        to_address = u32(data, ip + 16)
        place = recent_place(from_address, to_address, ports_key)
        c = recent[place] & INDEX
        client = from_address if side == CLIENT else to_address
        server = to_address if side == CLIENT else from_address
        known = c < carry[C_CONNECTIONS] and version == IPV4
        if not known or not is_ipv4_key(keys, c, ports_key, client, server):
            c = _connection(data, ip, version, ports_key, side, multipliers, keys, slots, state, carry)
            if c == FULL:
                return GROW_CONNECTIONS
            recent[place] = c
        c &= INDEX
        if carry[C_ROWS] > most_rows or carry[C_VALUES] > most_values:
            return ROOM
        carry[C_FRAMES_MODBUS] += 1
        time_ns = frames[i - 1, FRAME_TIME_NS]
        identification = u16(data, ip + 4) if version == IPV4 else 0
        sequence = u32(data, tcp + 4)
        flags = data[tcp + 13] & 0xFF
        mark = print_of(sequence, u16(data, tcp + 16), identification, flags, size)
        if is_copy(c, side, mark, time_ns, state):
            carry[C_REPEATED] += 1
            continue
        remember_print(c, side, mark, time_ns, state)
        if flags & (SYN_BIT | RST_BIT | FIN_BIT) or not state[c, HEARD] & (1 << side):
            _set_aside(c, i - 1, aside, carry)
        window = u16(data, tcp + 14)
        if (window == 0 or state[c, HEARD] & 3 * IS_CLOSED) and not flags & (SYN_BIT | RST_BIT):
            note_window(c, side, window, time_ns, carry[C_ORDINAL] + i - 1, state, rows, carry)
        ack = u32(data, tcp + 8) if flags & ACK_BIT else -1
        take_frame(
            data, tcp + header, seen, size, c, side, sequence, ack, flags, time_ns,
            carry[C_ORDINAL] + i - 1, state, parts, free_parts, held, held_data, rows, values, carry,
        )  # fmt: skip
    carry[C_FRAME] = i
    return DONE


@rare
def _set_aside(c: int, row: int, aside: Columns, carry: Columns) -> None:
    k = carry[C_ASIDE]
    carry[C_ASIDE] = k + 1
    aside[k] = (c + 1) << 32 | row


@rare
def _who_serves(
    data: Bytes, ip: int, tcp: int, version: int, source: int, target: int, multipliers: Columns,
    keys: Columns, slots: Columns, carry: Columns,
) -> int:  # fmt: skip
    """Which side sent this frame between two server ports: whoever was spoken to first is the server."""
    new = carry[C_CONNECTIONS]
    for side in range(2):
        ports_key = source << 16 | target if side == CLIENT else target << 16 | source
        write_key(keys, new, data, ip, version, ports_key, side)
        if is_known(keys, slots, len(slots), new, hash_key(keys, new, multipliers)):
            return side
    answers = SYN_BIT | ACK_BIT
    return SERVER if (data[tcp + 13] & answers) == answers else CLIENT


@rare
def _connection(
    data: Bytes, ip: int, version: int, ports_key: int, side: int, multipliers: Columns, keys: Columns,
    slots: Columns, state: Columns, carry: Columns,
) -> int:  # fmt: skip
    """Index of the frame's connection, be it a new one; FULL where the tables must grow first."""
    new = carry[C_CONNECTIONS]
    if new + 1 >= len(state) or new * 2 >= len(slots):
        return FULL
    write_key(keys, new, data, ip, version, ports_key, side)
    return enter_connection(new, multipliers, keys, slots, state, carry)


@helper
def take_frame(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, ack: int, flags: int,
    time_ns: int, frame: int, state: Columns, parts: Bytes, free_parts: Columns, held: Columns,
    held_data: Bytes, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """One TCP segment: at once where it is simply the next, else by the rules of `order` and `control`."""
    mine = side * SIDE_COLUMNS
    yours = (side ^ 1) * SIDE_COLUMNS
    if (
        flags & (SYN_BIT | RST_BIT | FIN_BIT | ACK_BIT) == ACK_BIT
        and sequence == state[c, mine + NEXT]
        and state[c, HEARD] == BOTH_HEARD | MBAP
        and state[c, HELD] < 0
        and ahead(ack, state[c, yours + NEXT]) <= 0
    ):
        if size > 0:
            take_mbap(
                data, at, seen, size, c, side, sequence, time_ns, frame,
                state, parts, free_parts, rows, values, carry,
            )  # fmt: skip
            state[c, mine + NEXT] = (sequence + size) & 0xFFFFFFFF
            state[c, mine + SEEN_NS] = time_ns
    else:
        _take_unusual(
            data, at, seen, size, c, side, sequence, ack, flags, time_ns, frame,
            state, parts, free_parts, held, held_data, rows, values, carry,
        )  # fmt: skip
    note_acknowledgement(c, side, size, ack, time_ns, frame, state, rows, carry)


@rare
def _take_unusual(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, ack: int, flags: int,
    time_ns: int, frame: int, state: Columns, parts: Bytes, free_parts: Columns, held: Columns,
    held_data: Bytes, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    if flags & RST_BIT:
        take_reset(
            c, side, time_ns, frame, state, held, held_data, parts, free_parts, rows, values, carry
        )  # fmt: skip
        return
    if flags & SYN_BIT:
        take_syn(
            c, side, sequence, ack, time_ns, frame, state, held, held_data, parts, free_parts,
            rows, values, carry,
        )  # fmt: skip
        return
    mine = side * SIDE_COLUMNS
    known = state[c, mine + NEXT]
    if known >= 0 and state[c, HEARD] & (1 << side) and is_alien(ahead(sequence, known)):
        begin_anew(c, time_ns, state, held, held_data, parts, free_parts, rows, values, carry)
        add_event(OPENING, c, side, time_ns, frame, UNSEEN, sequence, -1, rows, carry)
    first_sight(c, side, sequence, ack, state)
    follow_unheard(c, side, ack, time_ns, frame, state, free_parts, rows, carry)
    fin = 1 if flags & FIN_BIT else 0
    if state[c, mine + SEEN_NS] < 0 and ahead(sequence, state[c, mine + NEXT]) == 1:
        state[c, mine + NEXT] = sequence  # a keep-alive probe was all that had been seen of this side
    if size + fin <= 1 and fin == 0 and ahead(sequence, state[c, mine + NEXT]) == -1:
        add_event(PROBE, c, side, time_ns, frame, 0, sequence, -1, rows, carry)
        return
    if state[c, HELD] < 0 and in_order(c, side, sequence, ack, state):
        if size + fin > 0:
            take_segment(
                data, at, seen, size, c, side, sequence, fin, time_ns, frame, time_ns, frame,
                state, parts, free_parts, rows, values, carry,
            )  # fmt: skip
        return
    hold(data, at, seen, size, c, side, sequence, ack, fin, time_ns, frame, state, held, held_data, carry)
    drain(time_ns, 0, c, state, held, held_data, parts, free_parts, rows, values, carry)


@kernel
def settle_connection(
    c: int, now_ns: int, state: Columns, held: Columns, held_data: Bytes, parts: Bytes, free_parts: Columns,
    rows: Columns, values: Bytes, carry: Columns,
) -> int:  # fmt: skip
    """At the end of the recording: take all that connection ``c`` still holds back; DONE or ROOM."""
    if state[c, HELD] < 0:
        return DONE
    if carry[C_ROWS] + HELD_ROOM > len(rows) or carry[C_VALUES] + HELD_VALUES > len(values):
        return ROOM
    drain(now_ns, 1, c, state, held, held_data, parts, free_parts, rows, values, carry)
    return DONE
