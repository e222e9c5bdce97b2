"""A switch in, a scene out in which a device was not reached: path, return path, filter, addresses, network news."""

from __future__ import annotations

from collections.abc import Iterable

from tests.builders import beside_tcp as b
from tests.builders.packets import ACK, RST, SYN
from tests.builders.plant import DEVICE, MASTER
from tests.causes.oven import BACK, DELAYED_S, END, FALL, HOSTS, Oven, Talk, reopened, resumed, zone_3

PLUGGED_S = FALL + 0.02
STORM_PER_S = 600
ELSEWHERE = "192.0.2.63"


def acknowledged(acks: bool) -> Oven:
    """A read gets no reply for eight seconds: does the device's TCP acknowledge it, or must it be sent again?"""
    oven = Oven()
    talk = zone_3(oven)
    if acks:
        talk.read(FALL + 0.3, None, acked_s=DELAYED_S)
    else:
        talk.unheard(FALL + 0.3)
    talk.reply_at_last(BACK + 0.06)
    resumed(talk, BACK + 0.1)
    return oven.rest({3})


def other_connection_works(works: bool) -> Oven:
    """The PLC's connection to zone 3 dies; does the station's go on being served, or die as well?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.unheard(FALL + 0.3, tries=4)
    talk.to(BACK - 0.2).reset(MASTER)
    reopened(oven)
    station = oven.talk("station", "zone3")
    station.cycles(0, FALL, period_s=2, setpoint=None, quantity=4)
    if works:
        station.cycles(FALL, BACK, period_s=2, setpoint=None, quantity=4)
        station.cycles(BACK, END, period_s=2, setpoint=None, quantity=4)
    else:
        station.unheard(FALL + station.phase, first_s=0.25, tries=4)
        station.to(BACK - 0.18).again(MASTER)
        station.reply_at_last(BACK - 0.17)
        station.cycles(BACK, END, period_s=2, setpoint=None, quantity=4)
    return oven.rest({3})


def look_ups_answered(answered: bool) -> Oven:
    """A connection dies and a new one works later: did the device meanwhile answer look-ups of its address?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.unheard(FALL + 0.3, tries=4)
    for k in range(3):
        oven.look_up(FALL + 1.3 + 2 * k, "plc", "zone3", answered=answered, known=True)
    talk.to(BACK - 0.3).reset(MASTER)
    oven.look_up(BACK - 0.15, "plc", "zone3")
    reopened(oven)
    return oven.rest({3})


def new_connection_works(works: bool) -> Oven:
    """The old connection dies; is a new one accepted at once while the old one is still sent again in vain?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.unheard(FALL + 0.3)
    new = oven.talk("plc", "zone3")
    if works:
        resumed(new.open(FALL + 4.5), FALL + 5)
        return oven.rest({3})
    new.to(FALL + 4.5).segment(MASTER, flags=SYN)
    _syn_again(new, FALL + 5.5, FALL + 7.5)
    talk.reply_at_last(BACK + 0.06)
    talk.to(BACK + 0.07).reset(MASTER)
    resumed(oven.talk("plc", "zone3").open(BACK + 0.08), BACK + 0.1)
    return oven.rest({3})


def _syn_again(talk: Talk, *times_s: float, heard: bool = False) -> None:
    """The SYN once more at each time, and where it is heard the SYN and ACK that nobody receives."""
    for seconds in times_s:
        talk.to(seconds).segment(MASTER, flags=SYN, seq=talk.link.next[MASTER] - 1)
        if heard:
            _accepts(talk)


def _accepts(talk: Talk) -> None:
    first = talk.link.next[DEVICE]
    talk.link.segment(DEVICE, flags=SYN | ACK, seq=first, wait=0.0004)


def replies_seen(seen: bool) -> Oven:
    """The PLC sends its read again and again: does the recorder see the device's replies, sent again as well?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.read(FALL + 0.3, None)
    for k in range(4):
        talk.to(FALL + 0.3 + 0.25 * (2 ** (k + 1) - 1)).again(MASTER, stale=True)
    if seen:
        talk.reply_at_last(FALL + 0.306)
        for k in range(4):
            talk.to(FALL + 0.306 + 0.22 * (2 ** (k + 1) - 1)).again(DEVICE)
    talk.to(FALL + 4.5).segment(MASTER, flags=RST | ACK, stale=True)  # it acknowledges none of it
    new = oven.talk("plc", "zone3")
    new.to(FALL + 4.6).segment(MASTER, flags=SYN)
    if seen:
        _accepts(new)
    _syn_again(new, FALL + 5.6, FALL + 7.6, heard=seen)
    reopened(oven)
    return oven.rest({3})


def lease_of(own: bool) -> Oven:
    """Zone 3 is gone, and a lease for another address was given at the time: to zone 3, or to the terminal?"""
    oven = Oven()
    name = "zone3" if own else "terminal"
    for seconds, address in ((FALL + 0.1, ELSEWHERE), (BACK - 0.35, HOSTS[name][1])):
        _lease(oven, seconds, HOSTS[name][0], address)
        oven.announce(seconds + 0.03, name, address)
    gone_until_back(oven)
    return oven.rest({3})


def announced_elsewhere(announced: bool) -> Oven:
    """Zone 3 is gone: did its hardware address announce another IP address?"""
    oven = Oven()
    if announced:
        oven.announce(FALL + 0.13, "zone3", ELSEWHERE)
    gone_until_back(oven)
    return oven.rest({3})


def lease_refused(refused: bool) -> Oven:
    """Zone 3 asks for its address again and is gone: was it refused (RFC 2131, 4.3.2), or granted?"""
    oven = Oven()
    zone, server = HOSTS["zone3"], HOSTS["station"]
    oven.put(FALL + 0.1, b.dhcp(b.REQUEST, zone[0], 7, server=server, wanted=zone[1]))
    if refused:
        oven.put(FALL + 0.11, b.dhcp(b.NAK, zone[0], 7, server=server))
    else:
        oven.put(FALL + 0.11, b.dhcp(b.ACK, zone[0], 7, server=server, given=zone[1]))
    _lease(oven, BACK - 0.35, *zone)
    gone_until_back(oven)
    return oven.rest({3})


def _lease(oven: Oven, at_s: float, client: bytes, address: str) -> None:
    server = HOSTS["station"]
    oven.put(at_s, b.dhcp(b.DISCOVER, client, 7, server=server))
    oven.put(at_s + 0.005, b.dhcp(b.OFFER, client, 7, server=server, given=address))
    oven.put(at_s + 0.010, b.dhcp(b.REQUEST, client, 7, server=server, wanted=address))
    oven.put(at_s + 0.015, b.dhcp(b.ACK, client, 7, server=server, given=address))


def gone_until_back(oven: Oven) -> Talk:
    """Zone 3 unheard from `FALL` on, its address looked up in vain; a new connection at `BACK`."""
    talk = zone_3(oven)
    talk.unheard(FALL + 0.3, tries=4)
    for k in range(3):
        oven.look_up(FALL + 5.3 + k, "plc", "zone3", answered=False, known=k < 2)
    talk.to(BACK - 0.3).reset(MASTER)
    oven.look_up(BACK - 0.15, "plc", "zone3")
    return reopened(oven)


def announcement_alone(announced: bool) -> Oven:
    """Zone 3 is gone until `BACK`: whether it then announces itself says nothing of why."""
    oven = Oven()
    if announced:
        oven.announce(BACK - 0.3, "zone3")
    gone_until_back(oven)
    return oven.rest({3})


def owner_defends(defends: bool) -> Oven:
    """A second hardware address claims zone 3's IP address: does the first one go on using it?"""
    oven = Oven()
    zone = HOSTS["zone3"]
    for k in range(5):
        oven.announce(PLUGGED_S + 2 * k, "stranger", zone[1])
    if defends:
        for seconds in (FALL + 0.021, FALL + 4.7, BACK - 1.2):
            oven.announce(seconds, "zone3")
        for k in range(3):
            oven.put(FALL + 2.5 + 2 * k, b.arp(b.ANSWERED, zone, HOSTS["station"]))
    talk = zone_3(oven)
    talk.read(FALL + 0.3, None)
    _speaks_as(talk, "stranger")
    talk.forgotten(FALL + 0.3004)
    for k in range(6):
        new = oven.talk("plc", "zone3")
        _speaks_as(new, "stranger")
        new.to(FALL + 1 + k).segment(MASTER, flags=SYN)
        new.link.reset(DEVICE, wait=0.0004)
    new = oven.talk("plc", "zone3")
    _speaks_as(new, "stranger")
    resumed(new.open(BACK - 0.1))
    return oven.rest({3})


def _speaks_as(talk: Talk, host: str) -> None:
    talk.link.macs = [HOSTS["plc"][0], HOSTS[host][0]]


def _all_gone(oven: Oven, zones: Iterable[int]) -> None:
    """These zones are unheard between `FALL` and `BACK`, and their old connections resume."""
    for zone in zones:
        talk = oven.talk("plc", f"zone{zone}").cycles(0, FALL)
        talk.unheard(FALL + talk.phase, tries=4)
        talk.to(BACK + 0.01 * zone).again(MASTER)
        talk.reply_at_last(BACK + 0.01 * zone + 0.006)
        resumed(talk, BACK + 0.5)


def _hellos(oven: Oven, from_s: float, until_s: float, flags: int) -> None:
    for k in range(int(from_s), int(until_s), 2):
        hello = b.bridge_hello(HOSTS["far switch"][0], HOSTS["far switch"][0], flags=flags)
        oven.put(k + 0.9, hello)


def topology_changes(changes: bool) -> Oven:
    """Three zones are gone at once: do the bridges say that the topology changed?"""
    oven = Oven()
    _all_gone(oven, (1, 2, 3))
    _hellos(oven, 0, 10, 0)
    if changes:
        oven.put(FALL + 0.2, b.topology_notice(HOSTS["switch"][0]))
        oven.put(FALL + 1.2, b.topology_notice(HOSTS["switch"][0]))
    _hellos(oven, 10, 20, (b.TOPOLOGY_CHANGE | b.TOPOLOGY_CHANGE_ACK) if changes else 0)
    _hellos(oven, 20, 26, 0)
    return oven.rest((1, 2, 3))


def several_devices(several: bool) -> Oven:
    """The bridges say that the topology changed: is one zone gone (its own port), or are three?"""
    oven = Oven()
    gone = (1, 2, 3) if several else (3,)
    _all_gone(oven, gone)
    _hellos(oven, 0, 10, 0)
    oven.put(FALL + 0.2, b.topology_notice(HOSTS["switch"][0]))
    _hellos(oven, 10, 20, b.TOPOLOGY_CHANGE)
    _hellos(oven, 20, 26, 0)
    return oven.rest(gone)


def storm(blows: bool) -> Oven:
    """Three zones are gone at once: are there hundreds of broadcasts a second from one host?"""
    oven = Oven()
    _all_gone(oven, (1, 2, 3))
    if blows:
        for k in range(int((BACK - FALL) * STORM_PER_S)):
            oven.look_up(FALL + 0.01 + k / STORM_PER_S, "terminal", "gateway", answered=False)
    return oven.rest((1, 2, 3))
