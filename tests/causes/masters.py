"""A switch in, a scene out in which masters stopped asking: stopped, not heard, dropped, starved, commanded, misfed."""

from __future__ import annotations

from tests.builders.adus import pdus
from tests.builders.plant import DEVICE, MASTER
from tests.causes.oven import BACK, END, FALL, TIMEOUT, USUAL, ZONES, Oven, Talk, resumed, zone_3


def _silent_plc(oven: Oven) -> list[Talk]:
    """The PLC asks nobody between `FALL` and `BACK`; the station goes on."""
    talks = [oven.talk("plc", f"zone{zone}").cycles(0, FALL) for zone in ZONES]
    for talk in talks:
        resumed(talk)
    oven.rest(ZONES, pings=False)
    oven.pings("station", "plc", 0, FALL)
    oven.pings("station", "plc", BACK, END)
    return talks


def host_answers_echoes(answers: bool) -> Oven:
    """The PLC is silent: does its host still answer the station's echoes?"""
    oven = Oven()
    _silent_plc(oven)
    oven.pings("station", "plc", FALL, BACK, answered=answers)
    return oven


def host_answers_look_ups(answers: bool) -> Oven:
    """The PLC is silent: does its host still answer look-ups of its address?"""
    oven = Oven()
    _silent_plc(oven)
    for k in range(4):
        oven.look_up(FALL + 1 + 2 * k, "station", "plc", answered=answers, known=True)
    return oven


def host_acknowledges_probes(answers: bool) -> Oven:
    """The PLC is silent: does its TCP still acknowledge the zones' keep-alive probes (RFC 1122, 4.2.3.6)?"""
    oven = Oven()
    talks = [oven.talk("plc", f"zone{zone}").cycles(0, FALL) for zone in ZONES]
    for talk in talks:
        for k in range(3):
            talk.to(FALL + 2 + talk.phase + 2 * k).probe(DEVICE)
            if answers:
                talk.link.segment(MASTER, wait=0.0004)
        resumed(talk)
    return oven.rest(ZONES, pings=False)


def asks_the_others(asks: bool) -> Oven:
    """The PLC's host lives and asks zone 3 nothing: does it ask the others?"""
    oven = Oven()
    talks = [oven.talk("plc", f"zone{zone}").cycles(0, FALL) for zone in ZONES]
    for talk in talks:
        if asks and talk is not talks[2]:
            talk.cycles(FALL, BACK)
        resumed(talk)
    return oven.rest(ZONES)


def process_ends(all_of_them: bool) -> Oven:
    """The PLC closes a connection and opens it again at `BACK`: that to zone 3, or every one within a moment?"""
    oven = Oven()
    for zone in ZONES:
        talk = oven.talk("plc", f"zone{zone}")
        if zone != 3 and not all_of_them:
            talk.cycles(0, END)
            continue
        talk.cycles(0, FALL).to(FALL + 0.0002 * zone).close(MASTER)
        talk.link.close(DEVICE, wait=0.0003)
        talk.link.segment(MASTER, wait=0.0003)
        resumed(oven.talk("plc", f"zone{zone}").open(BACK + 0.001 * zone))
    return oven.rest(ZONES)


def asked_at_all(asks: bool) -> Oven:
    """The PLC goes on with the others: is there a read of zone 3 that nobody acknowledges?"""
    oven = Oven()
    talk = zone_3(oven)
    if asks:
        talk.unheard(FALL + 0.3, tries=4)
        talk.to(BACK + 0.05).again(MASTER)
        talk.reply_at_last(BACK + 0.06)
    resumed(talk, BACK + 0.2)
    return oven.rest({3})


def neighbour_answers(silent: bool) -> Oven:
    """The PLC asks one after the other, zone 2 twice with 2 s between: does zone 2 reply?"""
    oven = Oven()
    talks = {zone: oven.talk("plc", f"zone{zone}").cycles(0, FALL) for zone in ZONES}
    talks[1].cycles(FALL, FALL + 1)
    for k in range(2):
        talks[2].read(FALL + 0.2 + 2 * k, None if silent else 0.006, acked_s=0.0004)
    for zone in (3, 4, 5, 6):
        talks[zone].phase += 0.2
        resumed(talks[zone], FALL + 4.2)
    resumed(talks[1], FALL + 5)
    if silent:
        talks[2].to(FALL + 4.2).reset(MASTER)
        talks[2] = oven.talk("plc", "zone2").open(FALL + 4.9)
    resumed(talks[2], FALL + 5)
    return oven.rest(ZONES)


def last_setpoint(zero: bool) -> Oven:
    """The PLC leaves zone 3 out after one more cycle: did that write zero?"""
    oven = Oven()
    talk = oven.talk("plc", "zone3").cycles(0, FALL - 1)
    talk.cycles(FALL - 1, FALL, setpoint=0 if zero else USUAL)
    resumed(talk)
    return oven.rest({3})


def zero_at_a_moment(zero: bool) -> Oven:
    """Polling never stops; in the cycle before the longest interval the setpoint becomes zero, or stays."""
    oven = Oven()
    setpoint = 0 if zero else USUAL
    _late_once(zone_3(oven), setpoint)
    return oven.rest({3})


def which_register(timeout: bool) -> Oven:
    """Polling never stops; before the longest interval the PLC writes a register: the watchdog's timeout or another?"""
    oven = Oven()
    talk = zone_3(oven)
    request, reply = pdus(6, TIMEOUT if timeout else TIMEOUT + 1, 1, 1)
    _late_once(talk, USUAL, request, reply)
    return oven.rest({3})


def _late_once(talk: Talk, setpoint: int, request: bytes = b"", reply: bytes = b"") -> None:
    """One cycle, then a request if one is given, then an interval of 1.25 s; on time again from `BACK` on."""
    talk.phase += 0.05
    talk.cycles(FALL, FALL + 1, setpoint=setpoint)
    if request:
        talk.exchange(FALL + talk.phase + 0.02, request, reply, 0.004)
    talk.phase += 0.25
    talk.cycles(FALL + 1, BACK, setpoint=setpoint)
    talk.phase -= 0.3
    resumed(talk)


def writes_go_on(writes: bool) -> Oven:
    """Zone 3 is read all the time: is its setpoint written too?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.cycles(FALL, BACK, setpoint=USUAL if writes else None)
    resumed(talk)
    return oven.rest({3})


def one_poll_left_out(left_out: bool) -> Oven:
    """Healthy polling, or one cycle of zone 3 left out: 2 s, less than the timeout."""
    oven = Oven()
    talk = zone_3(oven)
    if not left_out:
        talk.cycles(FALL, FALL + 1)
    resumed(talk, FALL + 1)
    return oven.rest({3})
