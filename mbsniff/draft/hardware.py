"""A recording's first frames → the hardware addresses of the stations whose IP addresses they bear."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from ipaddress import ip_address

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import FrameBatch, Recording
from mbsniff.capture.frames import CAPTURED, LINK, POSITION
from mbsniff.wire.link import ETHERTYPE_IPV4, ETHERTYPE_IPV6, LINK_ETHERNET, TAG_8021Q

MOST_FRAMES = 200_000
"""A station that polls, or is polled, speaks many times in so many frames."""

_ARP = 0x0806  # IEEE 802 numbers; packet format: RFC 826
_SOURCE = 6  # IEEE 802.3, section 3.2: where the source address lies
_TYPE, _TAG_BYTES = 12, 4
# EtherType: where the sender's hardware address and IP address lie, the latter after the Ethernet header, and its
# length (RFC 791, 3.1; RFC 8200, 3; RFC 826).
_SENDERS = {
    ETHERTYPE_IPV4: (_SOURCE, 12, 4),
    ETHERTYPE_IPV6: (_SOURCE, 8, 16),
    _ARP: (_TYPE + 2 + 8, 14, 4),
}

Senders = dict[str, set[str]]


def hardware_addresses(recording: Recording, compiled: bool) -> dict[str, tuple[str, ...]]:
    """IP address → hardware addresses, as RFC 7042 writes them, of those seen in the first frames; sorted.

    What a station says of itself (RFC 826) goes first. Without it the sender of its packets counts, unless
    that one sends for other IP addresses too: it is a router then, and the station's own is not to be seen.
    """
    said: Senders = defaultdict(set)
    sent: Senders = defaultdict(set)
    seen = 0
    for batch in recording.batches(compiled):
        for ethertype, hardware, address in _senders(batch):
            (said if ethertype == _ARP else sent)[address].add(hardware)
        seen += len(batch.rows)
        if seen >= MOST_FRAMES:
            break
    sends_for: Senders = defaultdict(set)
    for address, senders in sent.items():
        for hardware in senders:
            sends_for[hardware].add(address)
    own = {a: {h for h in senders if len(sends_for[h]) == 1} for a, senders in sent.items()}
    found = {**own, **said}
    return {address: tuple(sorted(each)) for address, each in found.items() if each}


def _senders(batch: FrameBatch) -> Iterator[tuple[int, str, str]]:
    """(EtherType, hardware address, IP address) of the frames' senders, each once a batch."""
    rows = batch.rows[(batch.rows[:, LINK] == LINK_ETHERNET) & (batch.rows[:, CAPTURED] >= _TYPE + 2)]
    for shift in (0, _TAG_BYTES):
        types = _u16(batch.data, rows[:, POSITION] + _TYPE + shift)
        for ethertype, (hardware_at, address_at, length) in _SENDERS.items():
            at = hardware_at + (shift if ethertype == _ARP else 0), _TYPE + 2 + shift + address_at
            fits = (types == ethertype) & (rows[:, CAPTURED] >= at[1] + length)
            begin = rows[fits, POSITION][:, None]
            hardware = batch.data[begin + at[0] + np.arange(6)]
            address = batch.data[begin + at[1] + np.arange(length)]
            for each in np.unique(np.hstack([hardware, address]), axis=0):
                yield ethertype, each[:6].tobytes().hex("-").upper(), str(ip_address(each[6:].tobytes()))
        tagged = (types == TAG_8021Q) & (rows[:, CAPTURED] >= _TYPE + _TAG_BYTES + 2)
        rows = rows[tagged]


def _u16(data: NDArray[np.uint8], at: NDArray[np.int64]) -> NDArray[np.int64]:
    return data[at].astype(np.int64) << 8 | data[at + 1]
