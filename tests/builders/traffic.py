"""Steps such as "ask", "answer the oldest", "send again" in, a Plant on which they were taken out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from tests.builders.adus import adu, pdus
from tests.builders.packets import ACK, PSH, SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant

V4 = ("192.0.2.10", "192.0.2.11", "192.0.2.50", "192.0.2.51")
V6 = ("2001:db8::10", "2001:db8::11", "2001:db8::50", "2001:db8::51")
# (master, its port, device, its port): two connections of one master to a device, another master, another
# device, and a master that uses the server port itself.
WHO = ((0, 49152, 2, 502), (0, 49153, 2, 502), (1, 50000, 2, 502), (0, 49154, 3, 502), (1, 502, 3, 502))


@dataclass(frozen=True)
class Step:
    """One thing that happens; which of the numbers matter depends on ``act``."""

    act: str
    who: int = 0
    wait: float = 0.01
    unit: int = 1
    function: int = 3
    start: int = 0
    count: int = 1
    value: int = 0
    pick: int = 0
    stale: bool = False
    fate: str = ""
    """What the recorder does to the step's first frame."""


@dataclass
class Dialogue:
    """A connection and what the two sides still owe each other."""

    connection: Connection
    identifier: int = 0
    owed: list[tuple[int, int, bytes]] = field(default_factory=list)
    """Replies due, oldest first: identifier, unit, PDU."""
    last: bytes = b""

    def request(self, step: Step, fixed: bool = False) -> bytes:
        """A new request's ADU."""
        self.identifier += 1
        identifier = step.value % 2 if fixed else self.identifier
        asked, replied = pdus(step.function, step.start, step.count, step.value)
        self.owed = [*self.owed[-80:], (identifier, step.unit, replied)]
        self.last = adu(identifier, step.unit, asked)
        return self.last

    def reply(self, step: Step) -> bytes:
        """The ADU of a reply that is due, or of one that nobody asked for."""
        if not self.owed:
            return adu(step.value, step.unit, pdus(step.function, step.start, step.count, step.value)[1])
        return adu(*self.owed.pop(step.pick % len(self.owed)))


def act_out(steps: Sequence[Step], *, addresses: Sequence[str] = V4, first: int = 1000) -> Plant:
    """Take the steps; ``first`` is the first sequence number of the first connection's master."""
    plant = Plant()
    dialogues: dict[int, Dialogue] = {}
    for step in steps:
        if step.who not in dialogues:
            master, port, device, server = WHO[step.who]
            ends = ((addresses[master], port), (addresses[device], server))
            own = (first + step.who * 0x2000000) % 2**32
            dialogues[step.who] = Dialogue(plant.connection(*ends, (own, (own + 4000) % 2**32)))
        before = len(plant.wire)
        plant.wait(step.wait)
        ACTS[step.act](dialogues[step.who], step)
        if len(plant.wire) > before:
            _meet(plant, before, step.fate)
    return plant


def _meet(plant: Plant, place: int, fate: str) -> None:
    """Let the recorder lose, copy, swap or cut the frame at ``place``."""
    sighting = plant.wire[place]
    if fate == "lost":
        sighting.lost = True
    elif fate.startswith("copy"):
        sighting.copies = {"copy": (1000,), "copy late": (10_000_000,), "copy too late": (10_000_001,)}.get(
            fate, (0, 5_000_000)
        )
    elif fate.startswith("early"):
        sighting.back = int(fate[-1])
    elif fate.startswith("cut"):
        sighting.cut = 40 + int(fate[3:])


def _ask(dialogue: Dialogue, step: Step) -> None:
    dialogue.connection.segment(MASTER, dialogue.request(step), ACK | PSH, stale=step.stale)


def _ask_fixed(dialogue: Dialogue, step: Step) -> None:
    dialogue.connection.segment(MASTER, dialogue.request(step, fixed=True), ACK | PSH, stale=step.stale)


def _ask_same(dialogue: Dialogue, step: Step) -> None:
    dialogue.connection.segment(MASTER, dialogue.last or dialogue.request(step), ACK | PSH)


def _ask_malformed(dialogue: Dialogue, step: Step) -> None:
    whole = dialogue.request(step)
    body = whole[7:] + b"\0\1" if step.pick % 2 else whole[7:9]
    dialogue.connection.segment(MASTER, adu(dialogue.identifier, step.unit, body), ACK | PSH)


def _ask_twice(dialogue: Dialogue, step: Step) -> None:
    both = dialogue.request(step) + dialogue.request(step)
    dialogue.connection.segment(MASTER, both, ACK | PSH, stale=step.stale)


def _in_parts(side: int) -> Callable[[Dialogue, Step], None]:
    def send(dialogue: Dialogue, step: Step) -> None:
        whole = dialogue.request(step) if side == MASTER else dialogue.reply(step)
        at = 1 + step.pick % (len(whole) - 1)
        dialogue.connection.segment(side, whole[:at], stale=step.stale)
        dialogue.connection.segment(side, whole[at:], ACK | PSH, stale=step.stale, wait=step.value / 10**6)

    return send


def _overlap(side: int) -> Callable[[Dialogue, Step], None]:
    """A segment that repeats the end of the one before it and goes on with something new."""

    def send(dialogue: Dialogue, step: Step) -> None:
        connection = dialogue.connection
        new = dialogue.request(step) if side == MASTER else dialogue.reply(step)
        old = connection.sent[side][-1][1] if connection.sent[side] else b""
        old = old[max(len(old) - 1 - step.pick, 0) :]
        seq = (connection.next[side] - len(old)) % 2**32
        connection.segment(side, old + new, ACK | PSH, seq=seq)
        connection.sent[side].append((connection.next[side], new))
        connection.next[side] = (connection.next[side] + len(new)) % 2**32

    return send


def _answer(dialogue: Dialogue, step: Step) -> None:
    dialogue.connection.segment(DEVICE, dialogue.reply(step), ACK | PSH, stale=step.stale)


def _answer_twice(dialogue: Dialogue, step: Step) -> None:
    dialogue.connection.segment(DEVICE, dialogue.reply(step) + dialogue.reply(step), ACK | PSH)


def _answer_wrongly(dialogue: Dialogue, step: Step) -> None:
    """Another unit, another identifier, another length, an exception, or one without a code."""
    whole = dialogue.reply(step)
    identifier, unit, body = int.from_bytes(whole[:2], "big"), whole[6], whole[7:]
    code = bytes([body[0] | 0x80])
    wrong = [
        adu(identifier, unit + 1 & 0xFF, body),
        adu(identifier + 1, unit, body),
        adu(identifier, unit, body + b"\0"),
        adu(identifier, unit, code + bytes([step.value % 12])),
        adu(identifier, unit, code),
        adu(identifier, unit + 1 & 0xFF, code + b"\x06"),
    ]
    dialogue.connection.segment(DEVICE, wrong[step.value % len(wrong)], ACK | PSH)


def _cycle(dialogue: Dialogue, step: Step) -> None:
    """The same poll several times, at nearly even intervals."""
    for turn in range(step.count):
        dialogue.connection.segment(MASTER, dialogue.request(step), ACK | PSH, wait=step.wait)
        if step.pick != turn:
            dialogue.connection.segment(DEVICE, dialogue.reply(step), ACK | PSH, wait=step.value / 10**5)


def _open(dialogue: Dialogue, step: Step) -> None:
    first = (dialogue.connection.next[0] + step.pick * 2**20, dialogue.connection.next[1] + step.value * 9)
    dialogue.connection.handshake((first[0] % 2**32, first[1] % 2**32))
    dialogue.owed.clear()


def _open_same(dialogue: Dialogue, step: Step) -> None:
    """A handshake with the sequence numbers of the one before, or of the beginning."""
    sent = dialogue.connection.sent
    first = [(own[0][0] - 1 if own else 1000) % 2**32 for own in sent]
    dialogue.connection.handshake((first[0], first[1]))


def _syn_again(dialogue: Dialogue, step: Step) -> None:
    side = step.pick % 2
    flags = SYN if side == MASTER else SYN | ACK
    dialogue.connection.segment(side, flags=flags, seq=(dialogue.connection.next[side] - 1) % 2**32)


def _by(side: int, act: Callable[[Connection, int, Step], object]) -> Callable[[Dialogue, Step], None]:
    def take(dialogue: Dialogue, step: Step) -> None:
        act(dialogue.connection, side, step)

    return take


def _send_again(connection: Connection, side: int, step: Step) -> None:
    connection.again(side, 1 + step.pick % 3, shift=step.value % 5 if step.stale else 0)


def _garbage(connection: Connection, side: int, step: Step) -> None:
    connection.segment(side, bytes((step.value * k + step.pick) & 0xFF for k in range(step.count)))


ACTS: dict[str, Callable[[Dialogue, Step], None]] = {
    "ask": _ask,
    "ask fixed": _ask_fixed,
    "ask same": _ask_same,
    "ask malformed": _ask_malformed,
    "ask twice": _ask_twice,
    "ask in parts": _in_parts(MASTER),
    "ask overlapping": _overlap(MASTER),
    "answer": _answer,
    "answer twice": _answer_twice,
    "answer in parts": _in_parts(DEVICE),
    "answer overlapping": _overlap(DEVICE),
    "answer wrongly": _answer_wrongly,
    "cycle": _cycle,
    "open": _open,
    "open same": _open_same,
    "syn": _by(MASTER, lambda c, side, step: c.segment(side, flags=SYN)),
    "syn again": _syn_again,
    "acknowledge": _by(MASTER, lambda c, side, step: c.segment(step.pick % 2, stale=step.stale)),
    "master again": _by(MASTER, _send_again),
    "device again": _by(DEVICE, _send_again),
    "master closes": _by(MASTER, lambda c, side, step: c.close(side)),
    "device closes": _by(DEVICE, lambda c, side, step: c.close(side)),
    "master resets": _by(MASTER, lambda c, side, step: c.reset(side)),
    "device resets": _by(DEVICE, lambda c, side, step: c.reset(side)),
    "window closed": _by(MASTER, lambda c, side, step: c.segment(step.pick % 2, stale=step.stale, window=0)),
    "probe": _by(MASTER, lambda c, side, step: c.probe(step.pick % 2, b"\0" * (step.value % 2))),
    "master garbage": _by(MASTER, _garbage),
    "device garbage": _by(DEVICE, _garbage),
}
