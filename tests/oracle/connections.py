"""TCP segments in, connections out: mirror copies dropped, clients told from servers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.oracle.layers import Segment

COPY_WITHIN_NS = 10 * 10**6
Address = tuple[str, int]


@dataclass
class Connection:
    """All segments between a client's and a server's address and port, as recorded, copies dropped."""

    client: Address
    server: Address
    segments: list[Segment] = field(default_factory=list)
    copies: int = 0
    kept: dict[Address, list[Segment]] = field(default_factory=dict)
    """The last segments of each side, up to four."""

    def take(self, segment: Segment) -> None:
        """Add a segment, unless the mirror port had delivered it before."""
        kept = self.kept.setdefault(segment.source, [])
        if kept and abs(segment.time_ns - kept[-1].time_ns) > COPY_WITHIN_NS:
            kept.clear()
        if any(segment.identity == before.identity for before in kept):
            self.copies += 1
            return
        self.kept[segment.source] = [*kept[-3:], segment]
        self.segments.append(segment)


def connections(segments: Iterable[Segment], ports: frozenset[int]) -> list[Connection]:
    """The connections to a server port, in the order of their first segments."""
    found: dict[tuple[Address, Address], Connection] = {}
    for segment in segments:
        pair = _client_and_server(segment, ports, found)
        if pair:
            found.setdefault(pair, Connection(*pair)).take(segment)
    return list(found.values())


def _client_and_server(
    segment: Segment, ports: frozenset[int], known: dict[tuple[Address, Address], Connection]
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
