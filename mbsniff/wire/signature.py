"""Frames of any TCP or UDP port in, what speaks for Modbus at each port, and what against it, out.

Evidence is an exchange: a request, and in the other direction a reply that bears its identifier, unit and function
and has the length that the function asks for. A reply that only repeats its request is none: who asked cannot be told.
"""

from __future__ import annotations

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION
from mbsniff.compiled import helper, kernel, rare
from mbsniff.wire.connections import SPREAD
from mbsniff.wire.cut import HEADER, is_header, plausible
from mbsniff.wire.cut import SHORTEST as MBAP_SHORTEST
from mbsniff.wire.framing import is_serial
from mbsniff.wire.ip import DATAGRAM, ENCLOSES, FOUND, tcp_segment
from mbsniff.wire.link import IPV4, NOT_IP, may_hide_ip, network_header
from mbsniff.wire.load import INDEX, Bytes, Columns, u16, u32, u48
from mbsniff.wire.rows import CLIENT, NO_IDENTIFIER, SERVER
from mbsniff.wire.rtu import SHORTEST, crc_16

# Columns of what is noted of each port.
T_TCP = 0  # exchanges with MBAP header answered from this port, by TCP
T_TCP_SERIAL = 1  # the same in serial framing
T_UDP = 2
T_UDP_SERIAL = 3
T_FITS = 4  # payloads to or from it that are whole messages
T_MISFITS = 5  # and those that are not
TALLY_COLUMNS = 6

# The last request of a flow, one row of a table that newer flows may take over.
F_FROM = 0  # who asked, -1 where nobody
F_TO = 1
F_PORTS = 2  # 1 for UDP << 32 | source port << 16 | target port
F_IDENTIFIER = 3
F_WHAT = 4  # unit << 8 | function
F_SIZE = 5  # of the payload
F_SUM = 6  # its CRC-16
FLOW_COLUMNS = 7
FLOWS = 4096  # a power of two

_MOST_SUMMED = 260  # the longest message


@kernel
def look_for_modbus(data: Bytes, frames: Columns, first: int, flows: Columns, tallies: Columns) -> int:
    """Go through rows from ``first`` on; the row of a frame that hides what it holds, or how many rows there are."""
    i = first
    while 0 <= i < len(frames):
        if _look(data, frames, i, flows, tallies):
            return i
        i += 1
    return len(frames)


@rare
def _look(data: Bytes, frames: Columns, i: int, flows: Columns, tallies: Columns) -> bool:
    """Take in one frame; whether it must be unwrapped first."""
    at = frames[i, POSITION] & INDEX
    end = at + frames[i, CAPTURED]
    version, ip = network_header(data, at, end, frames[i, LINK])
    ip &= INDEX
    if version <= NOT_IP:
        return may_hide_ip(version, data, at, ip, end, frames[i, LINK])
    found, head, stop = tcp_segment(data, ip, end, at + frames[i, ORIGINAL], version)
    if found >= ENCLOSES:
        return True
    head &= INDEX
    if found == FOUND and end - head >= 20:
        payload = head + ((data[head + 12] & 0xF0) >> 2)
    elif found == DATAGRAM:
        payload = head + 8
        stop = head + u16(data, head + 4) if head + u16(data, head + 4) < stop else stop
    else:
        return False
    if payload < stop <= end:  # nothing of it was cut off
        udp = 1 if found == DATAGRAM else 0
        _weigh(data, ip, version, head, payload, stop - payload, udp, flows, tallies)
    return False


@rare
def _weigh(
    data: Bytes, ip: int, version: int, head: int, at: int, size: int, udp: int, flows: Columns,
    tallies: Columns,
) -> None:  # fmt: skip
    """Take in one payload."""
    source = u16(data, head)
    target = u16(data, head + 2)
    sender = _address(data, ip, version, 0)
    receiver = _address(data, ip, version, 1)
    asked = _place(receiver, sender, udp << 32 | target << 16 | source)
    answers = _answers(
        data, at, size, flows, asked, receiver, sender, udp << 32 | target << 16 | source
    )  # fmt: skip
    identifier = _identifier(data, at, size, CLIENT)
    fits = answers >= 0 or identifier >= 0 or _identifier(data, at, size, SERVER) >= 0
    column = T_FITS if fits else T_MISFITS
    tallies[source, column] += 1
    tallies[target, column] += 1
    if answers == 1:
        serial = 1 if flows[asked, F_IDENTIFIER] == NO_IDENTIFIER else 0
        tallies[source, T_TCP + 2 * udp + serial] += 1
    if answers >= 0:
        flows[asked, F_FROM] = -1
    elif identifier >= 0:
        own = _place(sender, receiver, udp << 32 | source << 16 | target)
        flows[own, F_FROM] = sender
        flows[own, F_TO] = receiver
        flows[own, F_PORTS] = udp << 32 | source << 16 | target
        flows[own, F_IDENTIFIER] = identifier
        flows[own, F_WHAT] = _what(data, at, identifier)
        flows[own, F_SIZE] = size
        flows[own, F_SUM] = crc_16(data, at, size if size < _MOST_SUMMED else _MOST_SUMMED)


@helper
def _answers(
    data: Bytes, at: int, size: int, flows: Columns, asked: int, receiver: int, sender: int, ports: int
) -> int:
    """Whether a payload answers what its receiver asked: 1; 0 where it only repeats that; -1."""
    if flows[asked, F_FROM] != receiver or flows[asked, F_TO] != sender or flows[asked, F_PORTS] != ports:
        return -1
    identifier = _identifier(data, at, size, SERVER)
    if identifier != flows[asked, F_IDENTIFIER] or _what(data, at, identifier) != flows[asked, F_WHAT]:
        return -1
    same = size == flows[asked, F_SIZE]
    if same and crc_16(data, at, size if size < _MOST_SUMMED else _MOST_SUMMED) == flows[asked, F_SUM]:
        return 0
    return 1


@rare
def _identifier(data: Bytes, at: int, size: int, side: int) -> int:
    """The identifier of the first of the whole messages that a payload consists of, NO_IDENTIFIER, or -1 if of none."""
    done = 0
    while size - done >= HEADER + MBAP_SHORTEST and is_header(data, at + done):
        length = HEADER + u16(data, at + done + 4)
        if length > size - done or not plausible(data, at + done, length, length, side, 0):
            break
        done += length
    if size > 0 and done == size:
        return u16(data, at)
    if size >= SHORTEST and is_serial(data, at, size, side):
        return NO_IDENTIFIER
    return -1


@helper
def _what(data: Bytes, at: int, identifier: int) -> int:
    """Unit and function, without the mark of an exception."""
    place = at if identifier == NO_IDENTIFIER else at + HEADER
    return (data[place] & 0xFF) << 8 | (data[place + 1] & 0x7F)


@helper
def _address(data: Bytes, ip: int, version: int, which: int) -> int:
    """Source (0) or target (1); of IPv6 the parts on top of each other."""
    if version == IPV4:
        return u32(data, ip + 12 + 4 * which)
    place = ip + 8 + 16 * which
    return u48(data, place) ^ u48(data, place + 6) << 1 ^ u32(data, place + 12)


@helper
def _place(sender: int, receiver: int, ports: int) -> int:
    """The flow's row; others may have the same."""
    return ((sender & 0xFFFFFFFF) * 3 ^ (receiver & 0xFFFFFFFF) ^ ports) * SPREAD >> 20 & (FLOWS - 1)
