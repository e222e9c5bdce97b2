"""A connection's events in, its transactions out, by the seven matching rules of the contributor guide."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

from tests.oracle.messages import Message, Traffic
from tests.oracle.order import CLIENT, SERVER, Again, Close, Hole, distance
from tests.oracle.pdus import ERROR_BIT, fits, requested

PIPELINED_WITHIN_NS = 50 * 10**6
WAITS_NS = 60 * 10**9
MOST_OUTSTANDING = 64
ANSWERED = {"answered", "by-order", "pipelined", "late"}


@dataclass(eq=False)
class Transaction:
    """A request and what became of it."""

    client: str
    server: tuple[str, int]
    request: Message
    time_ns: int
    same_identifier: bool
    resent: bool
    overtaken: bool = False
    given_up: bool = False
    reply_lost: bool = False
    """Whether bytes of the reply direction went unrecorded while it waited."""
    status: str = "open"
    reply: Message | None = None
    reply_ns: int = -1
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

    def waits_at(self, now_ns: int) -> bool:
        """Rule 4: nothing that comes more than 60 s later is for this request."""
        return now_ns - self.time_ns <= WAITS_NS


@dataclass
class Matching:
    """The state of one connection: what is outstanding, oldest first."""

    traffic: Traffic
    times_ns: list[int]
    outstanding: list[Transaction] = field(default_factory=list)
    transactions: list[Transaction] = field(default_factory=list)
    orphans: list[Message] = field(default_factory=list)

    def run(self) -> Matching:
        for event in self.traffic.events:
            now_ns = self.times_ns[event.frame]
            if isinstance(event, Message):
                for one in list(self.outstanding):
                    if not one.waits_at(now_ns):
                        self._close(one)
                (self._request if event.from_client else self._reply)(event)
            elif isinstance(event, Close):
                self._close_side(event, now_ns)
            elif isinstance(event, Hole):
                self._hole(event, now_ns)
            else:
                self._again(event, now_ns)
        self._end()
        return self

    def _close(self, one: Transaction) -> None:
        """Rule 6: no verdict where reply bytes went unrecorded during the wait."""
        one.status = "unknown" if one.reply_lost else "unanswered"
        self.outstanding.remove(one)

    def _request(self, message: Message) -> None:
        new = self._transaction(message)
        for one in self.outstanding:  # rule 1; at most one is not overtaken yet
            if not one.overtaken:
                one.overtaken = True
                one.given_up |= new.time_ns - one.time_ns >= PIPELINED_WITHIN_NS
        for one in list(self.outstanding):  # rule 2
            if one.given_up and one.key == new.key:
                self._close(one)
        self.transactions.append(new)
        self.outstanding.append(new)
        if len(self.outstanding) > MOST_OUTSTANDING:  # rule 4
            self._close(self.outstanding[0])

    def _transaction(self, message: Message) -> Transaction:
        asked = requested(message)
        same = [
            one
            for one in self.outstanding
            if one.key == (message.transaction, message.unit, message.pdu[0])
            and requested(one.request).addresses == asked.addresses
        ]
        return Transaction(
            client=self.traffic.connection.client[0],
            server=self.traffic.connection.server,
            request=message,
            time_ns=self.times_ns[message.frame],
            same_identifier=bool(self.transactions)
            and self.transactions[-1].request.transaction == message.transaction,
            resent=bool(same) and requested(same[-1].request).written == asked.written,
        )

    def _reply(self, message: Message) -> None:
        """Rule 3: the same three and the shape, the same three, the same but for the unit; oldest first."""
        function = message.pdu[0] & ~ERROR_BIT
        same_three = [o for o in self.outstanding if o.key == (message.transaction, message.unit, function)]
        fitting = [o for o in same_three if fits(o.request, message)]
        other_unit = [
            o
            for o in self.outstanding
            if (o.key[0], o.key[2]) == (message.transaction, function) and o.key[1] != message.unit
        ]
        chosen = next(iter([*fitting, *same_three, *other_unit]), None)
        if chosen is None:
            self.orphans.append(message)
            return
        self.outstanding.remove(chosen)
        chosen.status = self._answer(chosen) if same_three else "misaddressed"
        chosen.reply = message
        chosen.reply_ns = max(self.times_ns[message.frame], chosen.time_ns)

    @staticmethod
    def _answer(one: Transaction) -> str:
        if one.given_up:
            return "late"
        if one.overtaken:
            return "pipelined"
        return "by-order" if one.same_identifier else "answered"

    def _close_side(self, event: Close, now_ns: int) -> None:
        for one in list(self.outstanding):
            if event.side == CLIENT and not event.at_once:  # rule 1: the master's FIN
                one.given_up |= one.waits_at(now_ns)
            else:  # rule 4
                self._close(one)

    def _hole(self, hole: Hole, now_ns: int) -> None:
        for one in self.outstanding:
            one.reply_lost |= hole.side == SERVER and one.waits_at(now_ns)

    def _again(self, again: Again, now_ns: int) -> None:
        for one in self.outstanding:
            into = distance(one.request.end_seq, again.seq)
            if again.side == CLIENT and 0 < into <= again.length and one.waits_at(now_ns):
                one.sent_again_ns.append(now_ns)

    def _end(self) -> None:
        """Rule 5: what is outstanding at the end of the recording."""
        end_ns = max(self.times_ns)
        for one in list(self.outstanding):
            if one.given_up or not one.waits_at(end_ns):
                self._close(one)


def match(traffic: list[Traffic], times_ns: list[int]) -> list[Matching]:
    """All connections matched; a unit 0 of which nothing ever came back takes broadcasts (rule 7)."""
    matched = [Matching(one, times_ns).run() for one in traffic]
    transactions = [one for m in matched for one in m.transactions if one.request.unit == 0]
    replying = {one.server for one in transactions if one.reply}
    for one in transactions:
        if one.server not in replying:
            one.status, one.resent = "broadcast", False
    return matched


def consecutive(items: list[int]) -> list[int]:
    """The differences between neighbours."""
    return [later - earlier for earlier, later in pairwise(items)]
