"""An Exchange and facts in, a row for each event out, in time order: of connections, hosts, network and recorder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.neighbourhood import mac_text
from mbsniff.diagnose.outcomes import link_outcomes, network_outcomes
from mbsniff.exchange import Exchange, RecordingFacts
from mbsniff.exchange import columns as c
from mbsniff.report.export_names import HostNames
from mbsniff.report.export_places import moments, places
from mbsniff.report.rounding import milliseconds, seconds
from mbsniff.site import Site
from mbsniff.wire import rows as w
from mbsniff.wire.control import SENT_AGAIN, UNSEEN
from mbsniff.wire.network import rows as n

Longs = NDArray[np.int64]
Row = list[object]
CHUNK = 8192
FIELDS = (
    "at", "event", "outcome", "by", "by_address", "by_hardware", "hops", "to", "to_address", "to_hardware",
    "master_port", "amount", "unit", "detail", "file", "frame",
)  # fmt: skip
LINKS = {
    w.ACKNOWLEDGED: "connection-open", w.UNRECORDED: "bytes-not-recorded", w.AGAIN: "data-sent-again",
    w.PROBE: "keep-alive-probe", w.OPENING: "connection-asked", w.ACCEPTED: "connection-accepted",
    w.CLOSING: "connection-closed", w.RESET: "connection-reset", w.WINDOW_CLOSED: "window-closed",
    w.WINDOW_OPENED: "window-opened",
}  # fmt: skip
NETWORK = {n.FIRST_KIND + k: name for k, name in enumerate(n.NETWORK_NAMES)} | {n.ORIGIN: "segment-seen"}
RECORDER = {
    "frames-to-groups": "frames to broadcast and multicast addresses in the second that begins then",
    "nothing-recorded": "for how long no frame of any kind was recorded",
    "recorder-lost": "frames that the recorder says it lost, told at the end of its file",
}
_BYTES = (w.UNRECORDED, w.AGAIN)
FLAGS = ((1, "FIN"), (2, "SYN"), (4, "RST"), (8, "PSH"), (16, "ACK"))  # RFC 9293, 3.1


@dataclass(frozen=True)
class _Source:
    """Events of one table: when, by which frame (-1 none), and how a row of it is told, but for time and place."""

    times_ns: Longs
    frames: Longs
    told: Callable[[int], Row]


def event_rows(exchange: Exchange, facts: RecordingFacts, site: Site) -> Iterator[list[Row]]:
    """Rows with the columns of FIELDS, CHUNK at a time, by time and frame; None where there is nothing."""
    names = HostNames(site)
    sources = [_links(exchange, names), _network(exchange, names), *_recorder(exchange, facts)]
    times_ns = np.concatenate([source.times_ns for source in sources])
    frames = np.concatenate([source.frames for source in sources])
    which = np.repeat(np.arange(len(sources)), [len(source.times_ns) for source in sources])
    within = np.concatenate([np.arange(len(source.times_ns)) for source in sources])
    order = np.lexsort((which, frames, times_ns))
    for begin in range(0, len(order), CHUNK):
        part = order[begin : begin + CHUNK]
        told = [sources[s].told(k) for s, k in zip(which[part].tolist(), within[part].tolist(), strict=True)]
        where = places(facts, frames[part])
        at = moments(times_ns[part])
        yield [[time, *row, *place] for time, row, place in zip(at, told, where, strict=True)]


def _links(exchange: Exchange, names: HostNames) -> _Source:
    """Link events; where a segment's origin was noted, with hardware address and hop count."""
    events = exchange.events
    origins = {
        (row[c.N_CONNECTION], row[c.N_FRAME]): row
        for row in exchange.network[exchange.network[:, c.N_KIND] == n.ORIGIN].tolist()
    }
    outcomes = link_outcomes(events)

    def told(k: int) -> Row:
        event = events[k].tolist()
        connection, side, kind = event[c.E_CONNECTION], event[c.E_SIDE], event[c.E_KIND]
        pair = exchange.pairs[int(exchange.connection_pair[connection])]
        origin = origins.get((connection, event[c.E_FRAME]))
        hardware = [None, None, None] if origin is None else _origin(origin)
        ends = [
            (names.master(pair.client), pair.client),
            (names.endpoint(pair.server, pair.port), pair.server),
        ]
        by, to = ends[side], ends[1 - side]
        return [
            LINKS[kind], outcomes[k], *by, *hardware[:2], *to, hardware[2],
            int(exchange.connection_port[connection]), *_link_amount(kind, event[c.E_AMOUNT], event[c.E_FROM_NS]),
        ]  # fmt: skip

    return _Source(events[:, c.E_TIME_NS], events[:, c.E_FRAME], told)


def _link_amount(kind: int, amount: int, from_ns: int) -> Row:
    """[amount, unit, detail] of a link event."""
    if kind in _BYTES:
        return [amount, "bytes", None]
    if kind == w.ACKNOWLEDGED:
        ways = f"to the device and back {milliseconds(amount)} ms, to the master and back {milliseconds(from_ns)} ms"
        return [None, None, ways if amount >= 0 and from_ns >= 0 else None]
    if kind in (w.OPENING, w.ACCEPTED):
        return [None, None, {SENT_AGAIN: "sent again", UNSEEN: "the handshake was not recorded"}.get(amount)]
    return [None, None, None]


def _origin(row: list[int]) -> Row:
    """[hardware address of the sender, hops, of the addressee]."""
    return [_mac(row[c.N_MAC]), _known(row[c.N_HOPS]), _mac(row[c.N_TARGET_MAC])]


def _network(exchange: Exchange, names: HostNames) -> _Source:
    """Network events, but for origins of segments that are link events themselves."""
    rows = exchange.network
    linked = set(zip(*exchange.events[:, [c.E_CONNECTION, c.E_FRAME]].T.tolist(), strict=True))
    is_own = np.array(
        [
            row[c.N_KIND] != n.ORIGIN or (row[c.N_CONNECTION], row[c.N_FRAME]) not in linked
            for row in rows.tolist()
        ],
        bool,
    )
    outcomes = [
        outcome for outcome, own in zip(network_outcomes(exchange), is_own.tolist(), strict=True) if own
    ]
    rows = rows[is_own]

    def host(place: int) -> Row:
        return [names.host(exchange.hosts[place]), exchange.hosts[place]] if place >= 0 else [None, None]

    def told(k: int) -> Row:
        row = rows[k].tolist()
        connection = row[c.N_CONNECTION]
        port = int(exchange.connection_port[connection]) if connection >= 0 else None
        return [
            NETWORK[row[c.N_KIND]], outcomes[k], *host(row[c.N_ADDRESS]), _mac(row[c.N_MAC]), _known(row[c.N_HOPS]),
            *host(row[c.N_TARGET]), _mac(row[c.N_TARGET_MAC]), port, *_network_amount(row[c.N_KIND], row[c.N_AMOUNT]),
        ]  # fmt: skip

    return _Source(rows[:, c.N_TIME_NS], rows[:, c.N_FRAME], told)


def _network_amount(kind: int, amount: int) -> Row:
    """[amount, unit, detail] of a network event."""
    if amount < 0:
        return [None, None, None]
    if kind == n.LOOKUP_ASKED:
        return [None, None, "asks one host only" if amount else None]
    if kind in (n.ECHO_ASKED, n.ECHO_ANSWERED):
        return [None, None, f"identifier {amount >> 16}, number {amount & 0xFFFF}"]
    if kind == n.HOST_ERROR:
        return [None, None, f"type {amount >> 8}, code {amount & 0xFF}"]
    if kind in (n.LEASE_OFFERED, n.LEASE_GIVEN):
        return [amount, "s", None]
    if kind == n.TREE_NEWS:
        return [None, None, f"type {amount >> 8:02X}, flags {amount & 0xFF:02X}"]
    if kind == n.TREE_HELLO:
        role, port, priority = amount >> 32, amount >> 16 & 0xFFFF, amount & 0xFFFF
        return [
            None,
            None,
            f"root's priority {priority}, port {port:04X}" + (f", role {role}" if role else ""),
        ]
    if kind == n.ORIGIN:
        return [None, None, " ".join(name for bit, name in FLAGS if amount & bit)]
    return [None, None, f"message type {amount}"]


def _recorder(exchange: Exchange, facts: RecordingFacts) -> Iterator[_Source]:
    """Seconds with broadcasts, stretches without frames, and what the recorder says it lost."""
    counts = exchange.broadcasts
    blanks = facts.blanks
    lost = [
        (f.last_ns, f.file, sum(x for x in (f.epb_dropcount, f.isb_ifdrop, f.isb_osdrop) if x))
        for f in facts.files
        if f.last_ns is not None and any((f.epb_dropcount, f.isb_ifdrop, f.isb_osdrop))
    ]

    def nobody(event: str, hardware: str | None, amount: object, unit: str, detail: str | None) -> Row:
        return [event, None, None, None, hardware, None, None, None, None, None, amount, unit, detail]

    def none(times_ns: Longs) -> Longs:
        return np.full(len(times_ns), -1, np.int64)

    yield _Source(
        counts[:, 0], none(counts[:, 0]),
        lambda k: nobody("frames-to-groups", _mac(int(counts[k, 2])), int(counts[k, 1]), "frames", None),
    )  # fmt: skip
    yield _Source(
        blanks[:, 0], none(blanks[:, 0]),
        lambda k: nobody("nothing-recorded", None, seconds(int(blanks[k, 1] - blanks[k, 0])), "s", None),
    )  # fmt: skip
    times_ns = np.array([time_ns for time_ns, _, _ in lost], np.int64)
    yield _Source(
        times_ns, none(times_ns), lambda k: nobody("recorder-lost", None, lost[k][2], "frames", lost[k][1])
    )


def _mac(number: int) -> str | None:
    return mac_text(number) if number >= 0 else None


def _known(number: int) -> int | None:
    return number if number >= 0 else None
