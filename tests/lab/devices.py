"""What the wire shows where a device is heard but does not serve: stalled, slow, refusing, started anew."""

from __future__ import annotations

from itertools import pairwise

from tests.lab.frames import ACK, FIN, RST, SYN
from tests.lab.window import (
    Window,
    attempts,
    is_refused,
    ports,
    reads_per_s,
    replies,
    reply_times_s,
    requests,
    sent,
)

BUSY, TARGET_SILENT = 0x06, 0x0B  # V1.1b3, section 7


def device_stalled(w: Window) -> None:
    assert not replies(w.within, "zone3")
    asked = requests(w.within, to="zone3")
    acknowledged = {(f.dport, f.ack) for f in sent(w.within, "zone3") if not f.data}
    assert len(asked) >= 4
    assert all((f.sport, f.seq + len(f.data)) in acknowledged for f in asked)
    assert [f for f in sent(w.within, "zone3") if f.has(SYN, ACK)], "its TCP even accepts connections"


def window_closed(w: Window) -> None:
    closed = [f for f in sent(w.within, "zone3") if f.window == 0 and not f.has(RST)]
    probes = [f for f in sent(w.within, "plc") if f.target == "zone3" and f.seq == closed[0].ack - 1]
    assert len(closed) >= 3 and len(probes) >= 3 and not probes[0].data
    assert {f.sport for f in probes} == {closed[0].dport} == ports(w.before, "zone3")
    assert not [f for f in replies(w.within, "zone3") if f.at_s < closed[-1].at_s]
    assert not attempts(w.rows, "zone3"), "the connection lives through it"


def replies_late(w: Window) -> None:
    waited = [pair for pair in reply_times_s(w.rows, "zone3") if w.from_s < pair[0] < w.until_s - 1]
    assert len(waited) >= 5
    for (at_s, wait_s), (next_s, _) in pairwise(waited):
        assert at_s + 0.99 < next_s < at_s + wait_s, "the next request is out before the reply comes"
    assert not attempts(w.around, "zone3"), "it keeps the connection"


def device_saturated(w: Window) -> None:
    usual = reads_per_s(w, "zone3", 0, w.from_s)
    assert reads_per_s(w, "zone3", w.from_s, w.from_s + 2) > 5 * usual
    waits = reply_times_s(w.rows, "zone3", "terminal")
    early = [wait_s for at_s, wait_s in waits if at_s < w.from_s + 1]
    late = [wait_s for at_s, wait_s in waits if w.from_s + 4 < at_s < 14]
    assert max(early) < 0.5 < 1.0 < max(late), "it slows down after the load has risen"
    busy = [f for f in replies(w.within, "zone3") if f.function == 0x83 and f.data[8] == BUSY]
    assert len(busy) >= 3


def device_slow(w: Window) -> None:
    usual = reads_per_s(w, "zone3", 0, w.from_s)
    assert reads_per_s(w, "zone3", w.from_s, w.until_s) < 1.2 * usual, "at constant load"
    waits = [wait_s for at_s, wait_s in reply_times_s(w.rows, "zone3") if w.from_s + 0.5 < at_s < 9]
    healthy_s = max(wait_s for at_s, wait_s in reply_times_s(w.rows, "zone3") if at_s < w.from_s - 0.5)
    assert waits == sorted(waits) and waits[0] > 5 * healthy_s and waits[-1] > 2 * waits[0]
    assert not requests(w.rows, "station", "zone3") and not requests(w.rows, "terminal", "zone3")


def refused(w: Window) -> None:
    """The device's stack resets most of the PLC's attempts."""
    tried = attempts(w.within, "zone3")
    assert len(tried) >= 4
    assert all(is_refused(attempt, w.rows) for attempt in tried)


def no_free_slot(w: Window) -> None:
    refused(w)
    served = [f for f in replies(w.within, "zone3") if f.target == "terminal"]
    assert len(served) >= 10
    assert not [f for f in replies(w.within, "zone3") if f.target == "plc"]
    before = attempts(w.before, "zone3", "terminal")
    assert before and all(is_refused(attempt, w.rows) for attempt in before), "the PLC had the slot"


def port_closed(w: Window) -> None:
    refused(w)
    assert not replies(w.within, "zone3")


def device_restarted(w: Window) -> None:
    back = [f.at_s for f in w.within if f.by == "zone3" and f.is_announcement]
    assert len(back) == 1 and not [f for f in sent(w.within, "zone3") if f.at_s < back[0]]
    resets = [f for f in sent(w.around, "zone3") if f.has(RST)]
    assert len(resets) == 1
    # Of a stack without this connection: the number is the one acknowledged, no ACK (RFC 9293, section 3.10.7.1).
    asked = [f for f in requests(w.around, to="zone3") if f.at_s < resets[0].at_s][-1]
    assert (resets[0].seq, resets[0].has(ACK)) == (asked.ack, False)
    assert resets[0].dport in ports(w.before, "zone3")
    assert resets[0].ttl == next(f.ttl for f in replies(w.before, "zone3")), "from as far away as before"


def target_dead(w: Window) -> None:
    dead = [f for f in replies(w.within, "gateway") if f.data[6] == 12]
    assert len(dead) >= 5
    assert all((f.function, f.data[8]) == (0x83, TARGET_SILENT) for f in dead)
    sound = [f for f in replies(w.within, "gateway") if f.data[6] == 11]
    assert len(sound) >= 5 and all(f.function == 3 for f in sound)
    asked = {f.transaction: f.at_s for f in requests(w.around, to="gateway") if f.data[6] == 12}
    assert all(0.35 < f.at_s - asked[f.transaction] < 0.55 for f in dead), "the serial line's time-out"


def evicted(w: Window) -> None:
    came = attempts(w.rows, "zone3", "terminal")
    ends = [f for f in w.around if f.by == "zone3" and f.target == "plc" and f.has(FIN)]
    assert len(came) == len(ends) == 1 and 0 < ends[0].at_s - came[0].at_s < 0.05
    assert len([f for f in replies(w.within, "zone3") if f.target == "terminal"]) >= 5
    opened = attempts(w.rows, "zone3")
    assert len(opened) == 1 and opened[0].at_s - ends[0].at_s > 5.5


def connection_ended(w: Window) -> None:
    ends = [f for f in w.around if f.has(FIN) and "zone3" in (f.source, f.target)]
    assert [f.by for f in ends] == ["zone3", "plc"], "the device closes first"
    assert not [f for f in w.rows if f.has(RST)]
    opened = attempts(w.rows, "zone3")
    assert len(opened) == 1 and opened[0].at_s - ends[0].at_s > 5.5
