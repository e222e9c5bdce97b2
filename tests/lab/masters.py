"""What the wire shows where the device is well: masters stopped, cut off, commanding, or all in health."""

from __future__ import annotations

from itertools import pairwise

from tests.lab.frames import FIN, RST
from tests.lab.window import (
    Rows,
    Window,
    again,
    asked_for,
    attempts,
    longest_gap_s,
    pings_answered,
    ports,
    replies,
    reply_times_s,
    requests,
    sent,
)

SETPOINT_ZERO, SETPOINT = bytes.fromhex("0600280000"), bytes.fromhex("060028")  # write register 40


def host_answers_and_asks_nobody(w: Window) -> None:
    """The master's host answers pings all along; no request of it to any device."""
    assert not requests(w.within)
    assert pings_answered(w.within) >= 5
    assert requests(w.before) and requests(w.after)


def master_killed(w: Window) -> None:
    host_answers_and_asks_nobody(w)
    closed = [f for f in sent(w.around, "plc") if f.has(FIN)]
    assert len({f.target for f in closed}) == 6
    assert closed[-1].at_s - closed[0].at_s < 0.1


def master_stopped(w: Window) -> None:
    host_answers_and_asks_nobody(w)
    assert not [f for f in sent(w.around, "plc") if f.has(FIN) or f.has(RST)]
    assert all(ports(w.before, f"zone{n}") == ports(w.after, f"zone{n}") for n in range(1, 7))


def master_idle(w: Window) -> None:
    master_stopped(w)
    for zone in (f"zone{n}" for n in range(1, 7)):
        early = [f for f in requests(w.rows, to=zone) if f.at_s < w.from_s + 0.3]
        follows = early[-1].seq + len(early[-1].data)
        # A keep-alive probe bears the number before the next one (RFC 1122, section 4.2.3.6).
        probes = [f for f in sent(w.within, "plc") if f.target == zone and f.seq == follows - 1]
        assert len(probes) >= 2
        assert len([f for f in sent(w.within, zone) if f.target == "plc" and f.ack == follows]) >= 2


def poll_dropped(w: Window) -> None:
    assert not requests(w.within, to="zone3") and not attempts(w.rows, "zone3")
    assert min(len(requests(w.within, to=f"zone{n}")) for n in (1, 2, 4, 5, 6)) >= 5
    assert ports(w.before, "zone3") == ports(w.after, "zone3")


def starved(w: Window) -> None:
    for zone in ("zone1", "zone3", "zone4", "zone5", "zone6"):
        gaps = [b.at_s - a.at_s for a, b in pairwise(requests(w.rows, to=zone)) if a.at_s > w.from_s - 1]
        assert max(gaps) > 3.9, zone  # 2 s, twice
        assert replies(w.within, zone) and not attempts(w.rows, zone)
    assert not replies(w.within, "zone2")
    waits = [b.at_s - a.at_s for a, b in pairwise(requests(w.within)) if a.target == "zone2"]
    assert len(waits) >= 3 and all(1.9 < wait_s < 2.2 for wait_s in waits), "it waits for zone 2 meanwhile"


def master_link_down(w: Window) -> None:
    assert not sent(w.within, "plc") and asked_for(w.within, "plc") >= 3
    assert replies(w.within, "zone5") and replies(w.within, "zone6")
    assert sent(w.rows, "plc")[-1].at_s > w.until_s


def recorder_stopped(w: Window) -> None:
    assert not w.within and longest_gap_s(w.rows) > 5.8
    for zone in (f"zone{n}" for n in range(1, 7)):
        last, first = requests(w.before, to=zone)[-1], requests(w.after, to=zone)[0]
        assert last.sport == first.sport
        assert first.seq - last.seq > 5 * len(last.data), "TCP shows that more was sent"


def feed_wrong(w: Window) -> None:
    asked = requests(w.within, to="zone3")
    assert not [f for f in asked if f.data[7:10] == SETPOINT]
    assert len([f for f in asked if f.function == 3]) >= 6 and len(replies(w.within, "zone3")) >= 6
    assert [f for f in requests(w.before, to="zone3") if f.data[7:10] == SETPOINT]
    assert max(wait_s for _, wait_s in reply_times_s(w.rows, "zone3")) < 0.1, "and in time"


def zero_written(w: Window) -> Rows:
    """The writes of setpoint 0 to zone 3, all of them between the two recipes."""
    zeros = tuple(f for f in requests(w.rows, to="zone3") if f.data[7:12] == SETPOINT_ZERO)
    assert zeros and all(w.from_s - 0.3 < f.at_s < w.until_s + 0.3 for f in zeros)
    return zeros


def commanded(w: Window) -> None:
    assert len(zero_written(w)) >= 6
    assert longest_gap_s(requests(w.rows, to="zone3")) < 1.2, "no communication fault"


def zone_switched_off(w: Window) -> None:
    asked = requests(w.rows, to="zone3")
    gap = max(pairwise(asked), key=lambda pair: pair[1].at_s - pair[0].at_s)
    assert gap[0] == zero_written(w)[-1], "it is the last thing before the silence"
    assert gap[1].at_s - gap[0].at_s > 4.5
    assert not attempts(w.rows, "zone3")


def healthy(w: Window, longest_s: float, slowest_s: float) -> None:
    for zone in (f"zone{n}" for n in range(1, 7)):
        assert longest_gap_s(f for f in requests(w.rows, to=zone) if f.function == 3) < longest_s
        waits = reply_times_s(w.rows, zone)
        asked = [f for f in requests(w.rows, to=zone) if f.function == 3]
        assert len(waits) >= len(asked) - 1 and max(wait_s for _, wait_s in waits) < slowest_s
        assert not attempts(w.rows, zone) and not again(w.rows, zone)


def healthy_jitter(w: Window) -> None:
    healthy(w, longest_s=1.6, slowest_s=0.1)
    gaps = [b.at_s - a.at_s for a, b in pairwise(f for f in requests(w.rows, to="zone5") if f.function == 3)]
    assert max(gaps) - min(gaps) > 0.3


def healthy_slow_device(w: Window) -> None:
    healthy(w, longest_s=1.2, slowest_s=0.9)
    assert min(wait_s for _, wait_s in reply_times_s(w.rows, "zone4")) > 0.6


def healthy_news(w: Window) -> None:
    healthy(w, longest_s=1.2, slowest_s=0.1)
    told = [f for f in w.rows if f.kind == "udp" and f.dport == 68]
    assert told and {f.data[16:20] for f in told} == {bytes((192, 0, 2, 53))}, "its own address again"
    # Configuration BPDU: the lowest bit of byte 4 is a topology change (IEEE 802.1D-1998, 9.3.1).
    assert [f for f in w.rows if f.kind == "tree" and f.data[3] == 0 and f.data[4] & 1]
