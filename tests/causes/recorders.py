"""A switch in, a scene out in which the recording itself is in doubt."""

from __future__ import annotations

import ipaddress

from tests.builders.plant import BEGINS_NS
from tests.causes.oven import BACK, END, FALL, HOSTS, ZONES, Oven, resumed, zone_3


def _lose(oven: Oven, from_s: float, until_s: float, address: str = "") -> Oven:
    """The recorder misses all frames between two times, or those of one IPv4 address."""
    wanted = ipaddress.ip_address(address).packed if address else b""
    for sighting in oven.plant.wire:
        within = from_s <= (sighting.time_ns - BEGINS_NS) / 1e9 < until_s
        is_ip = sighting.head is not None and sighting.head[12:] == b"\x08\x00"
        own = is_ip and wanted in (sighting.packet[12:16], sighting.packet[16:20])
        sighting.lost = within and (own or not address)
    return oven


def _supervised(oven: Oven) -> None:
    """The station's reads until `FALL` and from `BACK` on."""
    for zone in (5, 6):
        station = oven.talk("station", f"zone{zone}")
        station.cycles(0, FALL, period_s=2, setpoint=None, quantity=4)
        station.cycles(BACK, END, period_s=2, setpoint=None, quantity=4)


def background(there: bool) -> Oven:
    """Nobody asks anybody for eight seconds: do the station's echoes go on, or is there no frame at all?"""
    oven = Oven()
    for zone in ZONES:
        resumed(oven.talk("plc", f"zone{zone}").cycles(0, FALL))
    _supervised(oven)
    oven.pings("station", "zone1", 0, FALL)
    oven.pings("station", "zone1", BACK, END)
    if there:
        oven.pings("station", "zone1", FALL, BACK)
    return oven


def bytes_lacking(lacking: bool) -> Oven:
    """No request to zone 3 is recorded for eight seconds: does TCP show that there were some?"""
    oven = Oven()
    talk = zone_3(oven)
    if lacking:
        talk.cycles(FALL, BACK)
    resumed(talk)
    oven.rest({3})
    return _lose(oven, FALL, BACK, HOSTS["zone3"][1]) if lacking else oven


def recorder_away(away: bool) -> Oven:
    """The recording has nothing for eight seconds: did all connections go on, or did all hosts stand still?"""
    oven = Oven()
    if away:
        oven.rest()
        return _lose(oven, FALL, BACK)
    for zone in ZONES:
        resumed(oven.talk("plc", f"zone{zone}").cycles(0, FALL))
    _supervised(oven)
    oven.pings("station", "plc", 0, FALL)
    oven.pings("station", "plc", BACK, END)
    return oven
