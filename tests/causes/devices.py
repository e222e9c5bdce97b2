"""A switch in, a scene out in which a device was reached and did not serve: stalled, late, loaded, refusing."""

from __future__ import annotations

from collections.abc import Callable

from tests.builders.adus import adu, pdus
from tests.builders.plant import BEGINS_NS, DEVICE, MASTER
from tests.causes.oven import BACK, DELAYED_S, END, FALL, HOSTS, Oven, Talk, reopened, resumed, zone_3

USUAL_WINDOW = 8192
LOADED_S = 4.0
"""When load or service times begin to rise."""


def replies_come(come: bool) -> Oven:
    """The PLC asks each second and keeps the connection: do replies come 1.15 s after their requests, or none?"""
    oven = Oven()
    talk = zone_3(oven)
    for k in range(7):
        seconds = FALL + 0.3 + k
        talk.read(seconds, None, acked_s=DELAYED_S)
        if come and k:
            _reply_to(talk, talk.number - 1, seconds + 0.15)
    if come:
        _reply_to(talk, talk.number, FALL + 0.3 + 6 + 1.15)
    resumed(talk, BACK)
    return oven.rest({3})


def _reply_to(talk: Talk, number: int, at_s: float) -> None:
    talk.to(at_s).answer(adu(number, talk.unit, pdus(3, 0, 16, 7)[1]), wait=0)


def load_before_lateness(loaded: bool) -> Oven:
    """Replies come 1.15 s after their requests, again and again: had the terminal's reads come on top before?"""
    oven = replies_come(True)
    if loaded:
        _surplus(oven, FALL, lambda _: 0.006, waits=False)
    return oven


def window_closes(closes: bool) -> Oven:
    """Reads get no reply: does the device close its window and say so to each probe, or just acknowledge?"""
    oven = Oven()
    _unread(zone_3(oven), closes=closes)
    return oven.rest({3})


def _unread(talk: Talk, *, closes: bool = True) -> None:
    """A read that is acknowledged, its probes as well, and answered at `BACK` only; meanwhile a window of none."""
    talk.read(FALL + 0.3, None)
    talk.link.windows[DEVICE] = 0 if closes else USUAL_WINDOW
    talk.to(FALL + 0.34).segment(DEVICE)
    for k in range(4):
        talk.to(FALL + 0.6 + 0.3 * (2**k)).probe(MASTER)
        talk.link.segment(DEVICE, wait=0.0004)
    talk.link.windows[DEVICE] = USUAL_WINDOW
    talk.to(BACK - 0.2).segment(DEVICE)
    talk.reply_at_last(BACK - 0.19)
    resumed(talk, BACK)


def _climbing(oven: Oven, *, climbs: bool = True) -> Talk:
    """The PLC's connection to zone 3, whose reply times climb from `LOADED_S` on."""
    talk = oven.talk("plc", "zone3").cycles(0, LOADED_S)
    for k in range(int(LOADED_S), int(FALL)):
        talk.cycles(k, k + 1, reply_s=_climbing_s(k) if climbs else 0.006)
    return talk


def loaded_then_window(loaded: bool) -> Oven:
    """The device closes its window; did another master's reads and its own service times rise before?"""
    oven = Oven()
    talk = _climbing(oven, climbs=loaded)
    if loaded:
        _surplus(oven, FALL, _climbing_s)
    _unread(talk)
    return oven.rest({3})


def _climbing_s(seconds: float) -> float:
    """Reply times from 6 to 800 ms between `LOADED_S` and `FALL`, slowly at first."""
    share = max(0.0, min(1.0, (seconds - LOADED_S) / (FALL - LOADED_S)))
    return 0.006 + 0.8 * share**3


def _surplus(oven: Oven, until_s: float, service_s: Callable[[float], float], *, waits: bool = True) -> None:
    """The terminal reads by three connections, as fast as replies come, 0.1 s between; in vain at the end."""
    for place in range(3):
        talk = oven.talk("terminal", "zone3")
        seconds = LOADED_S + 0.8 * place
        while seconds < until_s:
            talk.read(seconds, service_s(seconds))
            seconds += service_s(seconds) + 0.1
        if waits:
            talk.read(seconds, None, acked_s=DELAYED_S)
            talk.to(seconds + 4).reset(MASTER)


def surplus_reads(surplus: bool) -> Oven:
    """Service times climb until replies take too long: do the terminal's reads come on top before?"""
    oven = Oven()
    talk = _climbing(oven)
    if surplus:
        _surplus(oven, FALL, _climbing_s)
    _timed_out(oven, talk)
    return oven.rest({3})


def service_climbs(climbs: bool) -> Oven:
    """At constant load no reply comes any more: had service times been climbing for seconds?"""
    oven = Oven()
    _timed_out(oven, _climbing(oven, climbs=climbs))
    return oven.rest({3})


def busy_replies(busy: bool) -> Oven:
    """The terminal reads a lot, then zone 3 answers the PLC's reads by busy (06), or by device failure (04)."""
    oven = Oven()
    talk = oven.talk("plc", "zone3").cycles(0, FALL)
    for k in range(8):
        talk.read(FALL + 0.3 + k, 0.3, exception=6 if busy else 4)
    resumed(talk, BACK)
    _surplus(oven, BACK, lambda _: 0.006, waits=False)
    return oven.rest({3})


def _timed_out(oven: Oven, talk: Talk) -> None:
    """From `FALL` to `BACK` each read is acknowledged and not replied to within 1 s; a new connection each time."""
    for k in range(4):
        talk.read(FALL + 0.3 + 2 * k, None, acked_s=DELAYED_S)
        talk.to(FALL + 1.3 + 2 * k).reset(MASTER)
        talk = oven.talk("plc", "zone3")
        if k < 3:
            talk.open(FALL + 2.3 + 2 * k - 0.01)
    resumed(talk.open(BACK - 0.1), BACK)


def _fans(exception: int) -> Oven:
    """Two drives behind a gateway, one connection each; unit 12 fails between `FALL` and `BACK` (0: no reply)."""
    oven = Oven()
    oven.talk("plc", "gateway", 11).cycles(0, END, setpoint=None, quantity=4)
    talk = oven.talk("plc", "gateway", 12)
    talk.phase = 0.8
    talk.cycles(0, FALL, setpoint=None, quantity=4)
    for k in range(8):
        seconds = FALL + talk.phase + k
        if exception:
            talk.read(seconds, 0.4, quantity=4, exception=exception, acked_s=DELAYED_S)
        else:
            talk.read(seconds, None, quantity=4, acked_s=DELAYED_S)
    talk.cycles(BACK + 1, END, setpoint=None, quantity=4)
    return oven.rest()


def replies_recorded(lost: bool) -> Oven:
    """No reply of unit 12 is in the recording: does the PLC acknowledge what the recorder lacks, or was there none?"""
    if not lost:
        return _fans(0)
    oven = Oven()
    oven.talk("plc", "gateway", 11).cycles(0, END, setpoint=None, quantity=4)
    talk = oven.talk("plc", "gateway", 12)
    talk.phase = 0.8
    talk.cycles(0, END, setpoint=None, quantity=4)
    for sighting in oven.plant.wire:
        within = FALL < (sighting.time_ns - BEGINS_NS) / 1e9 < BACK + 0.9
        own = sighting.packet[20:24] == (502).to_bytes(2, "big") + talk.link.ends[MASTER][1].to_bytes(
            2, "big"
        )
        sighting.lost = within and own
    return oven.rest()


def target_or_gateway(says: bool) -> Oven:
    """Unit 12 gives nothing: does the gateway say that its target failed to respond (0B), or nothing at all?"""
    return _fans(0x0B if says else 0)


def which_exception(of_gateway: bool) -> Oven:
    """Unit 12 answers by exceptions: the gateway's (0B), or the device's own (04)?"""
    return _fans(0x0B if of_gateway else 0x04)


def knows_its_connection(forgot: bool) -> Oven:
    """Zone 3 was gone and announces itself: does it then reset the old connection, or reply on it?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.unheard(FALL + 0.3, tries=5)
    oven.announce(BACK - 1, "zone3")
    if forgot:
        talk.forgotten(BACK + 0.0504)
        reopened(oven, BACK + 0.06, from_s=BACK + 0.1)
    else:
        talk.reply_at_last(BACK + 0.06)
        resumed(talk, BACK + 0.1)
    return oven.rest({3})


def refused_after(restart: bool) -> Oven:
    """Attempts are refused until the service is up: after a restart, or after the device closed in good order?"""
    oven = Oven()
    if restart:
        talk = zone_3(oven)
        talk.unheard(FALL + 0.3, tries=3)
        oven.announce(FALL + 1.9, "zone3")
        talk.forgotten(FALL + 2.0504)
    else:
        _closed_by_device(oven)
    oven.attempts("plc", "zone3", [FALL + 2.1 + k for k in range(5)], refused=True)
    reopened(oven)
    return oven.rest({3})


def who_resets(itself: bool) -> Oven:
    """A read is answered by a reset: from zone 3's own hardware address and hop count, or from a box between?"""
    oven = Oven()
    talk = zone_3(oven)
    oven.announce(FALL + 0.2, "zone3")
    talk.read(FALL + 0.3, None)
    if not itself:
        talk.link.macs = [HOSTS["plc"][0], HOSTS["box"][0]]
        talk.link.hops[DEVICE] = 255
    talk.forgotten(FALL + 0.3004)
    reopened(oven)
    return oven.rest({3})


def why_it_resets(forgot: bool) -> Oven:
    """Zone 3 resets the connection: in answer to a read, as it knows nothing of it, or by itself, well knowing it?"""
    oven = Oven()
    talk = zone_3(oven)
    if forgot:
        oven.announce(FALL + 0.2, "zone3")
        talk.read(FALL + 0.3, None)
        talk.forgotten(FALL + 0.3004)
    else:
        talk.to(FALL + 0.3).reset(DEVICE)
    reopened(oven)
    return oven.rest({3})


def attempts_refused(refused: bool) -> Oven:
    """Zone 3 closes the connection: does the PLC try again at once and is refused, or come back late?"""
    oven = Oven()
    _closed_by_device(oven)
    if refused:
        oven.attempts("plc", "zone3", [FALL + 1 + k for k in range(6)], refused=True)
    reopened(oven)
    return oven.rest({3})


def _closed_by_device(oven: Oven) -> None:
    talk = zone_3(oven)
    talk.to(FALL).close(DEVICE)
    talk.link.close(MASTER, wait=0.0004)
    talk.link.segment(DEVICE, wait=0.0004)


def refused_or_unheard(refused: bool) -> Oven:
    """Zone 3 closes and the PLC tries again and again: is each attempt reset, or unheard?"""
    oven = Oven()
    _closed_by_device(oven)
    oven.attempts("plc", "zone3", [FALL + 1 + k for k in range(6)], refused=refused)
    reopened(oven)
    return oven.rest({3})


def served_meanwhile(served: bool) -> Oven:
    """The PLC's attempts are refused: is the terminal being served meanwhile?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.to(FALL).close(MASTER)
    talk.link.close(DEVICE, wait=0.0004)
    talk.link.segment(MASTER, wait=0.0004)
    if served:
        terminal = oven.talk("terminal", "zone3").open(FALL + 0.05)
        for k in range(19):
            terminal.read(FALL + 0.1 + 0.4 * k)
        terminal.to(BACK - 0.2).close(MASTER)
        terminal.link.close(DEVICE, wait=0.0004)
    oven.attempts("plc", "zone3", [FALL + 1 + k for k in range(6)], refused=True)
    reopened(oven)
    return oven.rest({3})


def newcomer(comes: bool) -> Oven:
    """Zone 3 closes the PLC's connection: right after a new master's connection was opened, or by itself?"""
    oven = Oven()
    if comes:
        terminal = oven.talk("terminal", "zone3").open(FALL - 0.002)
        for k in range(30):
            terminal.read(FALL + 0.05 + 0.5 * k)
    _closed_by_device(oven)
    reopened(oven)
    return oven.rest({3})


def closed_at_all(closed: bool) -> Oven:
    """The PLC does not ask zone 3 for eight seconds: was the connection closed, or did it stay?"""
    oven = Oven()
    talk = zone_3(oven)
    if closed:
        talk.to(FALL).close(MASTER)
        talk.link.close(DEVICE, wait=0.0004)
        talk.link.segment(MASTER, wait=0.0004)
        reopened(oven)
    else:
        resumed(talk)
    return oven.rest({3})
