"""The network loop: frames that the wire loop set aside in, rows of network events and seconds of broadcasts out."""

from __future__ import annotations

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION, TIME_NS
from mbsniff.compiled import kernel, rare
from mbsniff.wire.control import RST_BIT
from mbsniff.wire.ip import UDP, tcp_segment
from mbsniff.wire.link import (
    ETHERTYPE_ARP,
    IPV4,
    LONGEST_LLC,
    NOT_IP,
    ethertype_of,
    network_header,
)
from mbsniff.wire.load import INDEX, Bytes, Columns, u16
from mbsniff.wire.network.arp import ARP_BYTES, read_arp
from mbsniff.wire.network.broadcasts import count_broadcast
from mbsniff.wire.network.icmp import read_icmp, read_icmp6
from mbsniff.wire.network.lease import PORT_CLIENT, PORT_SERVER, read_lease
from mbsniff.wire.network.lease6 import PORT_CLIENT_6, PORT_SERVER_6, read_lease6
from mbsniff.wire.network.place import GROUP, hardware, put_packet
from mbsniff.wire.network.rows import (
    NETWORK_COLUMNS,
    NOTHING,
    ORIGIN,
    R_ADDRESS,
    R_AMOUNT,
    R_CONNECTION,
    R_FRAME,
    R_KIND,
    R_MAC,
    R_PRINT,
    R_TARGET,
    R_TARGET_MAC,
    R_TIME_NS,
    RESET_ORIGIN,
    TREE_NEWS,
)
from mbsniff.wire.network.seen import fold, is_kept, is_seen, print_bytes
from mbsniff.wire.network.tree import LLC, is_tree, read_hello, read_tree

ICMP, ICMPV6 = 1, 58  # IANA protocol numbers
PRINT_BYTES = 64  # of a packet's own bytes
COOKED_LLC = 4  # says LLC in Linux cooked captures (draft-ietf-opsawg-pcaplinktype); elsewhere it is a length

# Registers of the loop.
G_ROWS = 0  # rows filled in this call
G_SECONDS = 1  # seconds of broadcasts closed in this call
G_LEFT_OUT = 2  # events that were counted here only, since the start
REGISTERS = 3


@kernel
def note_network(
    data: Bytes, frames: Columns, aside: Columns, count: int, ordinal: int, senders: Columns, copies: Columns,
    alike: Columns, credit: Columns, now: Columns, seconds: Columns, out: Columns, registers: Columns,
) -> int:  # fmt: skip
    """Go through ``count`` frames set aside: rows of ``out`` filled, of which it must hold two a frame.

    ``aside``: (connection + 1) << 32 | row in ``frames``, connection -1 where the frame is no segment of one.
    """
    registers[G_ROWS] = 0
    registers[G_SECONDS] = 0
    for k in range(count):
        i = aside[k] & 0xFFFFFFFF
        c = (aside[k] >> 32) - 1
        at = frames[i, POSITION] & INDEX
        time_ns = frames[i, TIME_NS]
        mac, target_mac, cast = hardware(data, at, frames[i, LINK])
        if c < 0 and cast == GROUP:
            filled = registers[G_SECONDS]
            registers[G_SECONDS] = count_broadcast(mac, time_ns, now, seconds, filled)
        row = registers[G_ROWS]
        for column in range(NETWORK_COLUMNS):
            out[row, column] = -1
        out[row, R_TIME_NS] = time_ns
        out[row, R_FRAME] = ordinal + i
        out[row, R_MAC] = mac
        out[row, R_TARGET_MAC] = target_mac if cast != GROUP else -1
        out[row, R_CONNECTION] = c
        kind = _read(data, frames, i, c, cast, senders, copies, alike, credit, out, registers)
        if kind != NOTHING:
            _keep(kind, copies, alike, credit, out, registers)
    return registers[G_ROWS]


@rare
def _read(
    data: Bytes, frames: Columns, i: int, c: int, cast: int, senders: Columns, copies: Columns,
    alike: Columns, credit: Columns, out: Columns, registers: Columns,
) -> int:  # fmt: skip
    """Fill the row under way from frame ``i``; its kind or NOTHING."""
    row = registers[G_ROWS]
    link = frames[i, LINK]
    at = frames[i, POSITION] & INDEX
    end = at + frames[i, CAPTURED]
    version, header = network_header(data, at, end, link)
    header &= INDEX
    if version == NOT_IP:
        ethertype = ethertype_of(data, at, header, link)
        if ethertype == ETHERTYPE_ARP:
            stop = header + ARP_BYTES if header + ARP_BYTES < end else end
            out[row, R_PRINT] = print_bytes(data, header, stop)
            return read_arp(data, header, end, cast, out, row)
        is_llc = 0 <= ethertype <= LONGEST_LLC
        if not is_llc or not is_tree(data, header, end):
            return NOTHING
        if ethertype > COOKED_LLC and header + ethertype < end:
            end = header + ethertype
        return _tree(data, header, end, senders, copies, alike, credit, out, registers)
    if version < NOT_IP:
        return NOTHING
    _, body, stop = tcp_segment(data, header, end, at + frames[i, ORIGINAL], version)
    body &= INDEX
    end = end if end < stop else stop
    put_packet(out, row, data, header, version)
    if c >= 0:
        out[row, R_AMOUNT] = data[body + 13] & 0xFF
        return RESET_ORIGIN if data[body + 13] & RST_BIT else ORIGIN
    mark = fold(fold(0, out[row, R_ADDRESS]), out[row, R_TARGET])
    mark = fold(fold(mark, out[row, R_ADDRESS + 2]), out[row, R_TARGET + 2])
    stop = body + PRINT_BYTES if body + PRINT_BYTES < end else end
    out[row, R_PRINT] = fold(mark, print_bytes(data, body, stop))
    return _of_protocol(data, header, body, end, version, out, row)


@rare
def _of_protocol(data: Bytes, ip: int, at: int, end: int, version: int, out: Columns, row: int) -> int:
    """What lies at ``at`` in the packet at ``ip`` that is no TCP segment; nothing of later fragments."""
    if version == IPV4:
        if u16(data, ip + 6) & 0x1FFF:
            return NOTHING
        protocol = data[ip + 9] & 0xFF
        if protocol == ICMP:
            return read_icmp(data, at, end, out, row)
    else:
        protocol = data[ip + 6] & 0xFF
        if at != ip + 40:  # behind one extension header; behind more, it is left alone
            protocol = data[ip + 40] & 0xFF if at == ip + 48 + (data[ip + 41] & 0xFF) * 8 else -1
        if protocol == ICMPV6:
            return read_icmp6(data, ip, at, end, out, row)
    if protocol != UDP or end - at < 8:
        return NOTHING
    source = u16(data, at)
    target = u16(data, at + 2)
    stop = at + u16(data, at + 4)
    stop = stop if stop < end else end
    if version == IPV4 and (target == PORT_SERVER or target == PORT_CLIENT):
        return read_lease(data, at + 8, stop, out, row)
    is_lease = target == PORT_SERVER_6 or (target == PORT_CLIENT_6 and source == PORT_SERVER_6)
    return read_lease6(data, at + 8, stop, out, row) if is_lease and version != IPV4 else NOTHING


@rare
def _tree(
    data: Bytes, at: int, end: int, senders: Columns, copies: Columns, alike: Columns, credit: Columns,
    out: Columns, registers: Columns,
) -> int:  # fmt: skip
    """A BPDU gives up to two rows: that the tree changes, and what its sender says of root and port."""
    row = registers[G_ROWS]
    stop = at + PRINT_BYTES if at + PRINT_BYTES < end else end
    out[row, R_PRINT] = fold(print_bytes(data, at + LLC, stop), out[row, R_MAC])
    kind = read_tree(data, at, end, out, row)
    if kind == TREE_NEWS:
        following = row + 1
        for column in range(NETWORK_COLUMNS):
            out[following, column] = out[row, column]
        kept = registers[G_ROWS]
        _keep(TREE_NEWS, copies, alike, credit, out, registers)
        if registers[G_ROWS] == kept:  # a copy, or one too many: the row is used anew
            for column in range(NETWORK_COLUMNS):
                out[row, column] = out[following, column]
        row = registers[G_ROWS]
    return NOTHING if kind == NOTHING else read_hello(data, at, senders, out, row)


@rare
def _keep(
    kind: int, copies: Columns, alike: Columns, credit: Columns, out: Columns, registers: Columns
) -> None:
    """Keep the row under way unless it is a copy, or one too many."""
    row = registers[G_ROWS]
    out[row, R_KIND] = ORIGIN if kind == RESET_ORIGIN else kind
    if kind < ORIGIN and is_seen(out, row, copies):
        return
    if is_kept(kind, out, row, alike, credit):
        registers[G_ROWS] = row + 1
    else:
        registers[G_LEFT_OUT] += 1
