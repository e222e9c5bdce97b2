"""Frames in, a number for the packet in each out: equal wherever on its way the packet was recorded.

What changes on the way (hardware addresses, tags, hop count, priority, checksums) is left out.
"""

from __future__ import annotations

import functools
import secrets
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import CAPTURED, LINK, POSITION

Bytes = NDArray[np.uint8]
Numbers = NDArray[np.int64]

NONE = 0  # the number of frames without a packet that can be told from others

_ARP, _IPV4, _IPV6 = 0x0806, 0x0800, 0x86DD  # EtherTypes, IEEE 802 numbers (IANA)
_TAGS = (0x8100, 0x88A8, 0x9100)  # IEEE 802.1Q, 802.1ad; the last one is common practice
_MOST_TAGS = 3
# Where the EtherType stands in each link type's header, and where the packet begins; registry of the pcap draft.
_ETHERTYPE_AT = {1: (12, 14), 113: (14, 16), 276: (0, 20)}
_PACKET_AT = {0: 4, 108: 4, 101: 0, 228: 0, 229: 0}
_TCP, _UDP = 6, 17
_PORTS_AFTER = 40  # bytes behind the IP header that are looked at
_TCP_BYTES = 20  # of TCP only its header, so that frames cut short are known as well
_HEAD = np.arange(40)
_ARP_BYTES = np.arange(28)  # RFC 826, for Ethernet and IPv4
_OTHER_BYTES = np.arange(46)  # IEEE 802.3, 3.2.7: the least data, padded with what most senders have be zero
_BEHIND = np.arange(_PORTS_AFTER)
_KEPT_4 = np.isin(
    _HEAD, [2, 3, 4, 5, 6, 7, 9, *range(12, 20)]
)  # RFC 791: lengths, identification, protocol, ends
_KEPT_6 = np.isin(_HEAD, [4, 5, 6, *range(8, 40)])  # RFC 8200: length, next header, ends
_TCP_SUM, _UDP_SUM = np.isin(_BEHIND, [16, 17]), np.isin(_BEHIND, [6, 7])


@dataclass(frozen=True)
class Packets:
    """What is told of each frame; arrays of shape (frames,), int64."""

    number: Numbers
    """Equal for sightings of one packet, NONE where there is none."""
    flow: Numbers
    """Equal for packets of one side of a TCP connection, NONE for all others."""
    sequence: Numbers
    """TCP's sequence number, 0 for all others."""
    upward: NDArray[np.bool_]
    """Whether a packet goes from the higher TCP port to the lower one, as from a client to a server."""


@functools.cache
def _multipliers() -> Numbers:
    """Random odd numbers, so that nobody can choose packets that get the same number."""
    drawn = np.frombuffer(secrets.token_bytes(8 * 128), np.int64)
    return drawn | 1


def packets(data: Bytes, rows: Numbers) -> Packets:
    """Look at the frames of ``rows`` (frames, FRAME_COLUMNS) in ``data``."""
    count = len(rows)
    number, flow, sequence = np.zeros((3, count), np.int64)
    found = Packets(number, flow, sequence, np.zeros(count, np.bool_))
    if not count or not len(data):  # frames of which nothing was kept
        return found
    starts, kinds = _starts(data, rows)
    ends = rows[:, POSITION] + rows[:, CAPTURED]
    versions = np.where(starts < ends, data[np.minimum(starts, len(data) - 1)] >> 4, 0)
    for version, kind, look in ((4, _IPV4, _look_4), (6, _IPV6, _look_6)):
        chosen = np.flatnonzero(((kinds == kind) | (kinds == 0)) & (versions == version))
        look(data, starts[chosen], ends[chosen], chosen, found)
    chosen = np.flatnonzero((kinds == _ARP) & (ends - starts >= len(_ARP_BYTES)))
    found.number[chosen] = _sums(data[starts[chosen, None] + _ARP_BYTES])
    chosen = np.flatnonzero((kinds > 0) & ~np.isin(kinds, (_ARP, _IPV4, _IPV6)) & (starts < ends))
    at = starts[chosen, None] + _OTHER_BYTES
    found.number[chosen] = _sums(data[np.minimum(at, len(data) - 1)] * (at < ends[chosen, None]))
    return found


def _starts(data: Bytes, rows: Numbers) -> tuple[Numbers, Numbers]:
    """Where each frame's packet begins (at its end if it has none), and its EtherType (0: the packet tells)."""
    ends = rows[:, POSITION] + rows[:, CAPTURED]
    starts, kinds = ends.copy(), np.full(len(rows), -1, np.int64)
    for link in np.unique(rows[:, LINK]).tolist():
        own = rows[:, LINK] == link
        if link in _PACKET_AT:
            starts[own], kinds[own] = rows[own, POSITION] + _PACKET_AT[link], 0
        elif link in _ETHERTYPE_AT:
            at, begins = _ETHERTYPE_AT[link]
            starts[own] = rows[own, POSITION] + begins
            kinds[own] = _u16(data, rows[own, POSITION] + at, ends[own])
    for _ in range(_MOST_TAGS):
        tagged = np.isin(kinds, _TAGS)
        if not tagged.any():
            break
        kinds[tagged] = _u16(data, starts[tagged] + 2, ends[tagged])
        starts[tagged] += 4
    return np.minimum(starts, ends), kinds


def _u16(data: Bytes, at: Numbers, ends: Numbers) -> Numbers:
    """Big-endian 16-bit numbers, -1 where they are not in the frame."""
    inside = np.minimum(at, len(data) - 2)
    value = data[inside].astype(np.int64) << 8 | data[inside + 1]
    return np.where(at + 2 <= ends, value, -1)


def _look_4(data: Bytes, starts: Numbers, ends: Numbers, chosen: Numbers, found: Packets) -> None:
    whole = ends - starts >= 20
    starts, ends, chosen = starts[whole], ends[whole], chosen[whole]
    head = data[starts[:, None] + _HEAD[:20]]
    behind = starts + (head[:, 0] & 15).astype(np.int64) * 4
    total = head[:, 2].astype(np.int64) << 8 | head[:, 3]
    total = np.where(total, total, 1 << 16)  # segmentation left to the network card may leave 0
    is_first = (head[:, 6] & 0x1F | head[:, 7]) == 0  # of several fragments, or whole
    protocol = np.where(is_first, head[:, 9], 0)
    ends = np.minimum(ends, starts + total)
    _look_behind(data, (behind, ends, chosen), head * _KEPT_4[:20], protocol, 12, found)


def _look_6(data: Bytes, starts: Numbers, ends: Numbers, chosen: Numbers, found: Packets) -> None:
    whole = ends - starts >= 40
    starts, ends, chosen = starts[whole], ends[whole], chosen[whole]
    head = data[starts[:, None] + _HEAD]
    length = head[:, 4].astype(np.int64) << 8 | head[:, 5]
    ends = np.minimum(ends, starts + 40 + np.where(length, length, 1 << 16))
    where = (starts + 40, ends, chosen)
    _look_behind(data, where, head * _KEPT_6, head[:, 6], 8, found)


def _look_behind(
    data: Bytes,
    where: tuple[Numbers, Numbers, Numbers],
    head: Bytes,
    protocol: Bytes,
    ends_at: int,
    found: Packets,
) -> None:
    """``where``: behind the IP header, end, index in ``found``; ``ends_at``: where ``head`` has the addresses."""
    behind, ends, chosen = where
    is_tcp = protocol == _TCP
    there = (behind[:, None] + _BEHIND < ends[:, None]) & ~(is_tcp[:, None] & (_BEHIND >= _TCP_BYTES))
    there &= ~(is_tcp[:, None] & _TCP_SUM) & ~((protocol == _UDP)[:, None] & _UDP_SUM)
    rest = data[np.minimum(behind[:, None] + _BEHIND, len(data) - 1)] * there
    numbers = _sums(np.concatenate([head, rest], axis=1))
    is_tcp &= behind + _TCP_BYTES <= ends
    found.number[chosen] = np.where(is_tcp | (protocol != _TCP) & (behind < ends), numbers, NONE)
    flows = _sums(np.concatenate([head[:, ends_at:], rest[:, :4]], axis=1))
    found.flow[chosen] = np.where(is_tcp, flows, NONE)
    sequence = rest[:, 4:8].astype(np.int64) @ np.array([1 << 24, 1 << 16, 1 << 8, 1])
    found.sequence[chosen] = np.where(is_tcp, sequence, 0)
    ports = rest[:, :4].astype(np.int64) @ np.array([[1 << 8, 0], [1, 0], [0, 1 << 8], [0, 1]])
    found.upward[chosen] = ports[:, 0] > ports[:, 1]


def _sums(parts: Bytes) -> Numbers:
    """One number for each row of bytes; NONE never."""
    numbers = (parts.astype(np.int64) + 1) @ _multipliers()[: parts.shape[1]]
    return np.where(numbers == NONE, 1, numbers)
