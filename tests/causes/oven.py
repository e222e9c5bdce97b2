"""What each host of the oven line does, and when, in; the frames of it out: six zones, PLC, station, terminal."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from tests.builders import beside_tcp as b
from tests.builders.adus import adu, pdus
from tests.builders.measured import at
from tests.builders.packets import RST, SYN
from tests.builders.plant import BEGINS_NS, DEVICE, MASTER, Connection, Plant, Sighting

FALL, BACK, END = 10.0, 18.0, 26.0
"""Seconds: health until the first, again from the second, the end."""
ZONES = (1, 2, 3, 4, 5, 6)
SETPOINT, USUAL = 40, 2400  # 0.1 °C
TIMEOUT = 42  # of the watchdog, s
DELAYED_S = 0.04  # acknowledgements (RFC 9293, 3.8.6.3: below 0.5 s)

Host = tuple[bytes, str]
"""Hardware address and protocol address."""
HOSTS: dict[str, Host] = {
    "switch": (b.mac("00-00-5E-00-53-01"), "192.0.2.1"),
    "far switch": (b.mac("00-00-5E-00-53-02"), "192.0.2.2"),
    "box": (b.mac("00-00-5E-00-53-0F"), "192.0.2.15"),  # a filter between
    "plc": (b.mac("00-00-5E-00-53-10"), "192.0.2.10"),
    "station": (b.mac("00-00-5E-00-53-20"), "192.0.2.20"),
    "terminal": (b.mac("00-00-5E-00-53-30"), "192.0.2.30"),
    **{f"zone{n}": (b.mac(f"00-00-5E-00-53-{50 + n}"), f"192.0.2.{50 + n}") for n in ZONES},
    "gateway": (b.mac("00-00-5E-00-53-57"), "192.0.2.57"),
    "stranger": (b.mac("00-00-5E-00-53-99"), "192.0.2.53"),
}
NAMES = {host: name for name, host in reversed(HOSTS.items())}


@dataclass
class Talk:
    """A master's connection to a device; each request has its own transaction identifier."""

    link: Connection
    unit: int = 1
    phase: float = 0.0
    """Seconds after each full second at which the master asks."""
    number: int = 0

    def cycles(
        self, from_s: float, until_s: float, *, period_s: float = 1.0, setpoint: int | None = USUAL,
        reply_s: float = 0.006, start: int = 0, quantity: int = 16,
    ) -> Talk:  # fmt: skip
        """Read and, unless ``setpoint`` is None, write it, once in each period."""
        for k in range(int(from_s / period_s), int(until_s / period_s) + 1):
            seconds = k * period_s + self.phase
            if from_s <= seconds < until_s:
                self.read(seconds, reply_s, start=start, quantity=quantity)
                if setpoint is not None:
                    self.write(seconds + reply_s + 0.002, setpoint)
                self.link.segment(MASTER, wait=DELAYED_S)
        return self

    def read(
        self, at_s: float, reply_s: float | None = 0.006, *, start: int = 0, quantity: int = 16,
        exception: int = 0, acked_s: float | None = None,
    ) -> None:  # fmt: skip
        """Ask for registers; ``acked_s``: a bare acknowledgement first; ``reply_s`` None: no reply."""
        request, reply = pdus(3, start, quantity, 7)
        self.exchange(at_s, request, bytes([0x83, exception]) if exception else reply, reply_s, acked_s)

    def write(self, at_s: float, value: int, reply_s: float | None = 0.004) -> None:
        """Write the setpoint."""
        request, reply = pdus(6, SETPOINT, 1, value)
        self.exchange(at_s, request, reply, reply_s)

    def exchange(
        self, at_s: float, request: bytes, reply: bytes, reply_s: float | None, acked_s: float | None = None
    ) -> None:
        """A request's PDU, and its reply's."""
        self.number += 1
        self.to(at_s).ask(adu(self.number, self.unit, request))
        if acked_s is not None:
            self.to(at_s + acked_s).segment(DEVICE)
        if reply_s is not None:
            self.to(at_s + reply_s).answer(adu(self.number, self.unit, reply), wait=0)

    def unheard(self, at_s: float, *, first_s: float = 0.25, tries: int = 5) -> None:
        """A read that TCP sends again at doubling intervals (RFC 6298, 5.5), so far without an acknowledgement."""
        self.read(at_s, None)
        for k in range(tries):
            self.to(at_s + first_s * (2 ** (k + 1) - 1)).again(MASTER)

    def reply_at_last(self, at_s: float) -> None:
        """The reply to the last read."""
        self.to(at_s).answer(adu(self.number, self.unit, pdus(3, 0, 16, 7)[1]), wait=0)

    def open(self, at_s: float) -> Talk:
        """Connect."""
        self.to(at_s).handshake(wait=0.0005)
        return self

    def to(self, at_s: float) -> Connection:
        """The connection at a time."""
        at(self.link.plant, at_s)
        return self.link

    def forgotten(self, at_s: float) -> None:
        """A reset by a stack that does not know the connection (RFC 9293, 3.5.2: the number acknowledged, no ACK)."""
        self.to(at_s).segment(DEVICE, flags=RST)


@dataclass
class Oven:
    """The line and all frames on it."""

    plant: Plant = field(default_factory=Plant)
    ports: int = 49152

    def talk(self, master: str, device: str, unit: int = 1) -> Talk:
        """A connection that is under way, or to be opened."""
        self.ports += 1
        first = (1000 + 7919 * (self.ports - 49152), 500_000 + 6007 * (self.ports - 49152))
        link = self.plant.connection((HOSTS[master][1], self.ports), (HOSTS[device][1], 502), first)
        link.macs = [HOSTS[master][0], HOSTS[device][0]]
        number = int(device[-1]) if device[-1].isdigit() else 7
        return Talk(link, unit, {"plc": 0.1 * number, "station": 0.53 + 0.05 * number}.get(master, 0.0))

    def put(self, at_s: float, frame: b.Frame) -> Sighting:
        """A frame beside TCP."""
        self.plant.wire.append(Sighting(BEGINS_NS + round(at_s * 10**9), frame[1], head=frame[0]))
        return self.plant.wire[-1]

    def rest(self, but: Iterable[int] = (), *, pings: bool = True, station: Iterable[int] = (5, 6)) -> Oven:
        """All that is usual: the PLC with its zones ``but`` some, the station with its, and its pings of the PLC."""
        for zone in ZONES:
            if zone not in but:
                self.talk("plc", f"zone{zone}").cycles(0, END)
        for zone in station:
            self.talk("station", f"zone{zone}").cycles(0, END, period_s=2, setpoint=None, quantity=4)
        if pings:
            self.pings("station", "plc", 0, END)
        return self

    def pings(self, by: str, to: str, from_s: float, until_s: float, *, answered: bool = True) -> None:
        """Echoes, once a second."""
        for second in range(int(from_s), int(until_s)):
            self.put(second + 0.45, b.echo(b.ECHO, HOSTS[by], HOSTS[to], second))
            if answered:
                self.put(second + 0.4504, b.echo(b.ECHO_REPLY, HOSTS[to], HOSTS[by], second))

    def look_up(self, at_s: float, by: str, to: str, *, answered: bool = True, known: bool = False) -> None:
        """An ARP request, to the old hardware address where it is still known, and its reply."""
        asker, asked = HOSTS[by], HOSTS[to]
        whom = asked[0] if known else None
        self.put(at_s, b.arp(b.ASKED, asker, (b.NOBODY, asked[1]), whom))
        if answered:
            self.put(at_s + 0.0003, b.arp(b.ANSWERED, asked, asker))

    def announce(self, at_s: float, host: str, address: str | None = None) -> None:
        """An ARP announcement."""
        self.put(at_s, b.announcement(HOSTS[host][0], address or HOSTS[host][1]))

    def attempts(self, master: str, device: str, times_s: Iterable[float], *, refused: bool) -> None:
        """SYNs, each from another port, answered by a reset or by nothing."""
        for seconds in times_s:
            link = self.talk(master, device).to(seconds)
            link.segment(MASTER, flags=SYN)
            if refused:
                link.reset(DEVICE, wait=0.0004)


def zone_3(oven: Oven) -> Talk:
    """The PLC's connection to zone 3, healthy until `FALL`."""
    return oven.talk("plc", "zone3").cycles(0, FALL)


def resumed(talk: Talk, from_s: float = BACK) -> Talk:
    """Healthy to the end."""
    return talk.cycles(from_s, END)


def reopened(oven: Oven, at_s: float = BACK - 0.1, device: str = "zone3", from_s: float = BACK) -> Talk:
    """The PLC's new connection, healthy to the end."""
    return resumed(oven.talk("plc", device).open(at_s), from_s)
