"""Requirements on connections and addresses: one connection for each master at a time, hardware addresses fixed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from mbsniff.audit.subject import Hardware, Subject
from mbsniff.audit.verdict import Outcome, met, not_met, open_
from mbsniff.diagnose import Evidence
from mbsniff.diagnose.case import MOST_EVIDENCE
from mbsniff.diagnose.wording import clock, counted, listed
from mbsniff.exchange import segments_again, well_answered
from mbsniff.exchange.columns import E_CONNECTION, E_FRAME, E_KIND, E_TIME_NS
from mbsniff.measure.groups import is_orphan
from mbsniff.site import Master
from mbsniff.wire.link import LINK_ETHERNET
from mbsniff.wire.rows import ACCEPTED, CLOSING, OPENING, RESET

MOST_REQUESTS = 1_000
"""Requests after a second connection was opened that are looked at, to see which connection they are on."""
_EVER = 1 << 62
_SOURCE = slice(6, 12)  # IEEE 802.3, section 3.2: where the source address lies


@dataclass(frozen=True)
class _Life:
    """One connection's life, as far as the recording shows it."""

    from_ns: int
    until_ns: int
    port: int
    """The client's."""
    frame: int
    """Ordinal of the frame that opened it; -1 where the recording begins later."""


def connections_limit(subject: Subject) -> str:
    """Always: every further connection takes one of the device's few."""
    return "1 for each master"


def one_connection(subject: Subject) -> Outcome:
    """How many connections each master had with the endpoint at the same time."""
    worst, told, doubts = 1, [], []
    frames: list[Evidence] = []
    for pair in _pairs(subject):
        lives = _lives(subject, pair)
        overlapping = [(a, b) for a, b in pairwise(lives) if b.from_ns < a.until_ns]
        if not overlapping:
            continue
        who = subject.case.master_name(subject.case.exchange.pairs[pair].client)
        certain = _used_together(subject, pair, overlapping)
        if certain:
            worst = max(worst, _most(lives))
            told.append(
                f"{who} from ports {certain[0].port} and {certain[1].port} at {clock(certain[1].from_ns)}"
            )
            frames += [Evidence(*subject.case.facts.place(certain[1].frame))] if certain[1].frame >= 0 else []
        else:
            doubts.append(f"{who}: an earlier connection was not seen to close, but no longer used either")
    if told:
        return not_met(f"{worst}", listed(told, 3), tuple(frames[:MOST_EVIDENCE]))
    return open_(listed(doubts, 3)) if doubts else met("1")


def _pairs(subject: Subject) -> list[int]:
    """The pairs of client and endpoint that asked the device."""
    groups = subject.case.figures.groups
    rows = [p.row for p in subject.seen.polls]
    return sorted({int(groups.pair_of_poll[row]) for row in rows if not is_orphan(groups.keys[row])})


def _lives(subject: Subject, pair: int) -> list[_Life]:
    """The pair's connections in the order of their beginnings; attempts that nobody accepted are none."""
    exchange = subject.case.exchange
    own: dict[int, list[list[int]]] = {
        c: [] for c in np.flatnonzero(exchange.connection_pair == pair).tolist()
    }
    columns = [E_CONNECTION, E_KIND, E_TIME_NS, E_FRAME]
    for connection, *event in subject.links.events(pair)[:, columns].tolist():
        own[connection].append(event)
    lives = [
        life for c, events in own.items() for life in _lives_of(int(exchange.connection_port[c]), events)
    ]
    return sorted(lives, key=lambda life: life.from_ns)


def _lives_of(port: int, events: list[list[int]]) -> list[_Life]:
    """One client port's lives: from a handshake, or the recording's start, to the first FIN or RST."""
    found: list[_Life] = []
    begun = None if events and events[0][0] in (OPENING, ACCEPTED) else (0, -1)
    for kind, time_ns, frame in events:
        ends = kind in (CLOSING, RESET, OPENING)
        if begun and ends:
            found.append(_Life(begun[0], time_ns, port, begun[1]))
        if ends:
            begun = None
        elif kind == ACCEPTED and not begun:
            begun = time_ns, frame
    return found + ([_Life(begun[0], _EVER, port, begun[1])] if begun else [])


def _most(lives: list[_Life]) -> int:
    """The most that were open at once."""
    return max(sum(a.from_ns <= b.from_ns < a.until_ns for a in lives) for b in lives)


def _used_together(
    subject: Subject, pair: int, overlapping: list[tuple[_Life, _Life]]
) -> tuple[_Life, _Life] | None:
    """The first two lives of which both were in use after the later one began; None where nothing shows it."""
    exchange, groups = subject.case.exchange, subject.case.figures.groups
    for earlier, later in overlapping:
        if earlier.until_ns < _EVER:  # it was closed after the other had been opened
            return earlier, later
        if not subject.look.look:
            continue
        rows = subject.case.transactions(subject.seen)
        times = exchange.request_ns[rows]
        of_pair = groups.pair_of_poll[exchange.poll[rows]] == pair
        rows = rows[of_pair & (times > later.from_ns) & (times < later.until_ns)][:MOST_REQUESTS]
        frames = exchange.request_frame[rows].tolist()
        ports = {segment.source_port for _, segment in segments_again(subject.look.look, frames)}
        if earlier.port in ports and earlier.port != later.port:
            return earlier, later
    return None


def hardware_limit(subject: Subject) -> str | None:
    """The hardware address declared for the device."""
    return subject.declared.hardware_address if subject.declared else None


def device_hardware(subject: Subject) -> Outcome:
    """Which hardware addresses used the device's IP address."""
    declared = subject.declared
    allowed = (declared.hardware_address,) if declared and declared.hardware_address else ()
    outcome = _held(subject.hardware, (subject.seen.address,), allowed)
    return (
        replace(outcome, evidence=_sent_by_others(subject, allowed))
        if outcome.verdict == "not met"
        else outcome
    )


def _sent_by_others(subject: Subject, allowed: tuple[str, ...]) -> tuple[Evidence, ...]:
    """The first replies of the device that another hardware address sent; none where it sent only ARP."""
    if not subject.look.look:
        return ()
    rows = well_answered(subject.case.exchange, subject.case.transactions(subject.seen))[:MOST_REQUESTS]
    found = [
        Evidence(*subject.case.facts.place(frame.ordinal))
        for frame in subject.look.look(subject.case.exchange.reply_frame[rows].tolist())
        if frame.link == LINK_ETHERNET and frame.data[_SOURCE].hex("-").upper() not in allowed
    ]
    return tuple(found[:MOST_EVIDENCE])


def master_hardware(master: Master, hardware: Hardware | None) -> Outcome:
    """Which hardware addresses used a master's IP addresses."""
    return _held(hardware, master.addresses, master.hardware_addresses)


def _held(hardware: Hardware | None, addresses: tuple[str, ...], allowed: tuple[str, ...]) -> Outcome:
    if hardware is None:
        return open_("standard input cannot be read a second time")
    seen = sorted({h for address in addresses for h in hardware.get(address, ())})
    others = [h for h in seen if h not in allowed]
    if others:
        return not_met(
            listed(seen), f"{counted(len(others), 'other hardware address', 'other hardware addresses')}"
        )
    if not seen:
        return open_("not seen, or only through a router")
    return met(listed(seen))
