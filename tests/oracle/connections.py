"""TCP segments in, connections out: mirror copies dropped, one connection for each handshake."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.oracle.layers import Segment

COPY_WITHIN_NS = 10 * 10**6
Address = tuple[str, int]


@dataclass
class Connection:
    """All segments between a client and a server from one handshake to the next, as recorded."""

    client: Address
    server: Address
    segments: list[Segment] = field(default_factory=list)
    ended_by: Segment | None = None
    """The handshake (SYN) that followed on the same ports."""

    def sent_by_client(self, segment: Segment) -> bool:
        return segment.source == self.client

    def initial_seq(self, side: Address) -> int | None:
        return next((s.seq for s in self.segments if s.syn and s.source == side), None)


def drop_copies(segments: Iterable[Segment]) -> tuple[list[Segment], int]:
    """The segments without those that the mirror port delivered again, and how many these were.

    Only segments with data: without data nothing tells a copy from an acknowledgement sent twice.
    """
    kept: list[Segment] = []
    seen: dict[tuple[object, ...], int] = {}
    copies = 0
    for segment in segments:
        before = seen.get(segment.identity)
        if segment.length and before is not None and segment.time_ns - before <= COPY_WITHIN_NS:
            copies += 1
            continue
        seen[segment.identity] = segment.time_ns
        kept.append(segment)
    return kept, copies


def connections(segments: Iterable[Segment], ports: frozenset[int]) -> list[Connection]:
    """The connections to a server port, in the order of their first segments."""
    by_ports: dict[tuple[Address, Address], list[Segment]] = defaultdict(list)
    for segment in segments:
        pair = _client_and_server(segment, ports, by_ports)
        if pair:
            by_ports[pair].append(segment)
    found = [c for pair, group in by_ports.items() for c in _split_at_handshakes(pair, group)]
    return sorted(found, key=lambda c: c.segments[0].frame)


def _client_and_server(
    segment: Segment, ports: frozenset[int], known: dict[tuple[Address, Address], list[Segment]]
) -> tuple[Address, Address] | None:
    forwards, backwards = (segment.source, segment.target), (segment.target, segment.source)
    to_server, from_server = segment.target[1] in ports, segment.source[1] in ports
    if to_server and from_server:  # both ports are server ports: who was spoken to first is the server
        if forwards in known or backwards in known:
            return forwards if forwards in known else backwards
        return backwards if segment.syn and segment.acks else forwards
    if to_server:
        return forwards
    return backwards if from_server else None


def _split_at_handshakes(pair: tuple[Address, Address], segments: list[Segment]) -> list[Connection]:
    result = [Connection(*pair)]
    for segment in segments:
        current = result[-1]
        if current.segments and _opens_anew(current, segment):
            current.ended_by = segment
            result.append(Connection(*pair))
        result[-1].segments.append(segment)
    return result


def _opens_anew(current: Connection, segment: Segment) -> bool:
    """Whether a segment is a SYN of another connection than the current one."""
    if not segment.syn or segment.rst:
        return False
    known = current.initial_seq(segment.source)
    if known is not None:
        return known != segment.seq
    # The answer to the current connection's SYN is the second half of the same handshake.
    first_half = current.initial_seq(segment.target)
    answers = segment.acks and first_half is not None and segment.ack == (first_half + 1) % 2**32
    return not answers
