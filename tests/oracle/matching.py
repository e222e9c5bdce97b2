"""A connection's events in, its transactions out, by the seven matching rules of the contributor guide."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

from tests.oracle.messages import Close, Message, Traffic
from tests.oracle.pdus import ERROR_BIT, fits

PIPELINED_WITHIN_NS = 50 * 10**6
WAITS_NS = 60 * 10**9
MOST_OUTSTANDING = 64
ANSWERED = {"answered", "by-order", "pipelined", "late"}
NEVER = math.inf


@dataclass(eq=False)
class Transaction:
    """A request and what became of it. It was outstanding until ``closed_frame`` and ``closed_ns``."""

    client: str
    server: tuple[str, int]
    request: Message
    time_ns: int
    same_identifier: bool
    resent: bool
    overtaken: bool = False
    given_up: bool = False
    status: str = "open"
    reply: Message | None = None
    reply_ns: int = -1
    closed_frame: float = NEVER
    closed_ns: float = NEVER
    sent_again_ns: list[int] = field(default_factory=list)
    """When TCP sent its last byte again while it was outstanding."""

    @property
    def function(self) -> int:
        return self.request.pdu[0]

    @property
    def answered(self) -> bool:
        return self.status in ANSWERED

    @property
    def key(self) -> tuple[int, int, int]:
        return self.request.transaction, self.request.unit, self.function


@dataclass
class Matching:
    """The state of one connection: what is outstanding, oldest first."""

    traffic: Traffic
    times_ns: list[int]
    broadcasts: bool
    """Whether unit 0 of this endpoint waits for no reply."""
    outstanding: list[Transaction] = field(default_factory=list)
    transactions: list[Transaction] = field(default_factory=list)
    orphans: list[Message] = field(default_factory=list)

    def run(self) -> Matching:
        for event in self.traffic.events:
            self._expire(self.times_ns[event.frame])
            if isinstance(event, Close):
                self._close_side(event)
            elif event.from_client:
                self._request(event)
            else:
                self._reply(event)
        self._end()
        self._call_unknown()
        self._note_sent_again()
        return self

    def _close(self, one: Transaction, status: str, frame: float, time_ns: float = NEVER) -> None:
        one.status, one.closed_frame, one.closed_ns = status, frame, time_ns
        self.outstanding.remove(one)

    def _expire(self, now_ns: int) -> None:
        """Rule 4: after 60 s of waiting a request is unanswered."""
        for one in list(self.outstanding):
            if now_ns - one.time_ns > WAITS_NS:
                self._close(one, "unanswered", NEVER, one.time_ns + WAITS_NS)

    def _request(self, message: Message) -> None:
        new = self._transaction(message)
        for one in self.outstanding:  # rule 1; at most one is not overtaken yet
            if not one.overtaken:
                one.overtaken = True
                one.given_up |= new.time_ns - one.time_ns >= PIPELINED_WITHIN_NS
        for one in list(self.outstanding):  # rule 2
            if one.given_up and one.key == new.key:
                self._close(one, "unanswered", message.frame)
        self.transactions.append(new)
        if self.broadcasts and message.unit == 0:  # rule 7
            new.status, new.closed_frame = "broadcast", message.frame
            return
        self.outstanding.append(new)
        if len(self.outstanding) > MOST_OUTSTANDING:  # rule 4
            self._close(self.outstanding[0], "unanswered", message.frame)

    def _transaction(self, message: Message) -> Transaction:
        newest = self.outstanding[-1].request if self.outstanding else None
        return Transaction(
            client=self.traffic.connection.client[0],
            server=self.traffic.connection.server,
            request=message,
            time_ns=self.times_ns[message.frame],
            same_identifier=bool(self.transactions)
            and self.transactions[-1].request.transaction == message.transaction,
            resent=newest is not None
            and (newest.transaction, newest.unit, newest.pdu)
            == (message.transaction, message.unit, message.pdu),
        )

    def _reply(self, message: Message) -> None:
        """Rule 3: the same three and the shape, the same three, the same but for the unit; oldest first."""
        function = message.pdu[0] & ~ERROR_BIT
        same_three = [o for o in self.outstanding if o.key == (message.transaction, message.unit, function)]
        fitting = [o for o in same_three if fits(o.request.pdu, message.pdu)]
        other_unit = [
            o
            for o in self.outstanding
            if (o.key[0], o.key[2]) == (message.transaction, function) and o.key[1] != message.unit
        ]
        chosen = next(iter([*fitting, *same_three, *other_unit]), None)
        if chosen is None:
            self.orphans.append(message)
            return
        self._close(chosen, self._answer(chosen) if same_three else "misaddressed", message.frame)
        chosen.reply, chosen.reply_ns = message, self.times_ns[message.frame]

    @staticmethod
    def _answer(one: Transaction) -> str:
        if one.given_up:
            return "late"
        if one.overtaken:
            return "pipelined"
        return "by-order" if one.same_identifier else "answered"

    def _close_side(self, event: Close) -> None:
        for one in list(self.outstanding):
            if event.by_client and not event.at_once:  # rule 1: the master's FIN
                one.given_up = True
            else:  # rule 4
                self._close(one, "unanswered", event.frame)

    def _end(self) -> None:
        """Rule 5: what is outstanding at the end of the recording."""
        end_ns = max(self.times_ns)
        self._expire(end_ns)
        for one in list(self.outstanding):
            self._close(one, "unanswered" if one.given_up else "open", NEVER)

    def _call_unknown(self) -> None:
        """Rule 6: no verdict where reply bytes went unrecorded during the wait."""
        for one in self.transactions:
            if one.status == "unanswered" and any(
                one.request.frame < frame <= one.closed_frame and self.times_ns[frame] <= one.closed_ns
                for _, frame in self.traffic.reply_holes
            ):
                one.status = "unknown"

    def _note_sent_again(self) -> None:
        for one in self.transactions:
            again = [self.times_ns[frame] for frame in one.request.again if frame < one.closed_frame]
            one.sent_again_ns = [time_ns for time_ns in again if time_ns <= one.closed_ns]


def match(traffic: list[Traffic], times_ns: list[int]) -> list[Matching]:
    """All connections matched; unit 0 waits for no reply where none of its requests is ever answered."""
    first = [Matching(one, times_ns, broadcasts=False).run() for one in traffic]
    answering = {
        one.server for m in first for one in m.transactions if one.request.unit == 0 and one.answered
    }
    return [
        m
        if m.traffic.connection.server in answering
        else Matching(m.traffic, times_ns, broadcasts=True).run()
        for m in first
    ]


def consecutive(items: list[int]) -> list[int]:
    """The differences between neighbours."""
    return [later - earlier for earlier, later in pairwise(items)]
