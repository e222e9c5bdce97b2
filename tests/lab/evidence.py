"""Frames of a recording and the time of what was planted → what the wire shows of it; no line of mbsniff."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise

from tests.lab.frames import ACK, FIN, RST, SYN, Frame

Rows = tuple[Frame, ...]
SETPOINT_ZERO, SETPOINT = bytes.fromhex("0600280000"), bytes.fromhex("060028")  # write register 40
BUSY, TARGET_SILENT = 0x06, 0x0B  # V1.1b3, section 7


class Window:
    """The frames of a recording before, within and after what was planted."""

    def __init__(self, rows: Rows, from_s: float, until_s: float, margin_s: float = 0.3) -> None:
        self.rows, self.from_s, self.until_s = rows, from_s, until_s
        self.before = tuple(f for f in rows if f.at_s < from_s - margin_s)
        self.within = tuple(f for f in rows if from_s + margin_s < f.at_s < until_s - margin_s)
        self.after = tuple(f for f in rows if f.at_s > until_s + margin_s)
        self.around = tuple(f for f in rows if from_s - margin_s < f.at_s < until_s + margin_s)


def requests(rows: Iterable[Frame], by: str = "plc", to: str = "") -> Rows:
    """Modbus requests that a master sent; each sighting counts."""
    return tuple(f for f in rows if f.by == by and f.dport == 502 and f.data and to in ("", f.target))


def replies(rows: Iterable[Frame], by: str) -> Rows:
    """Modbus replies that a device sent."""
    return tuple(f for f in rows if f.by == by and f.sport == 502 and f.data)


def sent(rows: Iterable[Frame], by: str) -> Rows:
    """All that a host sent."""
    return tuple(f for f in rows if f.by == by)


def attempts(rows: Iterable[Frame], to: str, by: str = "plc") -> Rows:
    """Attempts of a master to connect to a device."""
    return tuple(f for f in rows if f.by == by and f.target == to and f.has(SYN))


def ports(rows: Iterable[Frame], to: str, by: str = "plc") -> set[int]:
    """The client ports from which a master sent requests to a device."""
    return {f.sport for f in requests(rows, by, to)}


def again(rows: Iterable[Frame], to: str) -> int:
    """How often a master's requests to a device were sent again by TCP: same port, same sequence number."""
    seen = [(f.sport, f.seq) for f in requests(rows, to=to)]
    return len(seen) - len(set(seen))


def asked_for(rows: Iterable[Frame], whom: str) -> int:
    """How often somebody else asked for the hardware address of a host (ARP)."""
    return sum(f.kind == "arp" and f.is_request and f.target == whom != f.source for f in rows)


def pings_answered(rows: Iterable[Frame], by: str = "plc") -> int:
    """ICMP echo replies of a host."""
    return sum(f.kind == "icmp" and not f.is_request for f in sent(rows, by))


def reply_times_s(rows: Rows, device: str, master: str = "plc") -> list[tuple[float, float]]:
    """(time of the request, time to its reply) of a device's reads by a master, by port and transaction identifier."""
    asked: dict[tuple[int, int], float] = {}
    for frame in requests(rows, master, device):
        if frame.function == 3:
            asked.setdefault(frame.transaction, frame.at_s)
    answers = {f.transaction: f.at_s for f in reversed(replies(rows, device)) if f.function == 3}
    return [(at_s, answers[key] - at_s) for key, at_s in asked.items() if key in answers]


def longest_gap_s(rows: Iterable[Frame]) -> float:
    """The longest time between two of these frames."""
    return max((b.at_s - a.at_s for a, b in pairwise(rows)), default=0.0)


def is_refused(attempt: Frame, rows: Rows) -> bool:
    """Whether the next segment to this port is a reset, from the device's own hardware address (RFC 9293, 3.5.2)."""
    for frame in rows:
        if frame.at_s > attempt.at_s and frame.dport == attempt.sport:
            return frame.by == attempt.target and frame.has(RST, ACK) and frame.ack == attempt.seq + 1
    return False


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


def nothing_comes_from(w: Window, device: str) -> None:
    """The PLC tries, by requests sent again and new attempts; nobody hears the device."""
    assert not sent(w.within, device)
    assert again(w.around, device) >= 3 and len(attempts(w.within, device)) >= 3
    assert asked_for(w.within, device) >= 1
    assert replies(w.before, device) and replies(w.after, device)


def device_link_down(w: Window) -> None:
    nothing_comes_from(w, "zone3")
    assert {f.source for f in sent(w.rows, "zone3")} == {"zone3"}, "under no other address either"
    assert [f for f in w.rows if f.by == "zone3" and f.is_announcement]
    assert all(replies(w.within, f"zone{n}") for n in (1, 2, 4, 5, 6))


def master_link_down(w: Window) -> None:
    assert not sent(w.within, "plc") and asked_for(w.within, "plc") >= 3
    assert replies(w.within, "zone5") and replies(w.within, "zone6")
    assert sent(w.rows, "plc")[-1].at_s > w.until_s


def trunk_down(w: Window) -> None:
    for zone in ("zone4", "zone5", "zone6"):
        nothing_comes_from(w, zone)
    assert all(replies(w.within, f"zone{n}") for n in (1, 2, 3))
    assert not [f for f in w.rows if f.kind == "tree"]
    # The station keeps its connection, and it goes on: zone 5 had not restarted.
    assert ports(w.before, "zone5", "station") == ports(w.after, "zone5", "station")
    assert not attempts(w.rows, "zone5", "station")


def return_path_lost(w: Window) -> None:
    again_s = [f.at_s for f in sent(w.within, "zone3") if f.has(SYN, ACK)]
    assert len(again_s) > len(attempts(w.within, "zone3")) >= 4, "it accepts again and again"
    first = replies(w.around, "zone3")[0]
    assert len([f for f in replies(w.around, "zone3") if (f.dport, f.seq) == (first.dport, first.seq)]) >= 3
    follows = first.seq + len(first.data)
    assert not [f for f in sent(w.within, "plc") if f.sport == first.dport and f.ack == follows]


def device_stalled(w: Window) -> None:
    assert not replies(w.within, "zone3")
    asked = requests(w.within, to="zone3")
    acknowledged = {(f.dport, f.ack) for f in sent(w.within, "zone3") if not f.data}
    assert len(asked) >= 4
    assert all((f.sport, f.seq + len(f.data)) in acknowledged for f in asked)
    assert [f for f in sent(w.within, "zone3") if f.has(SYN, ACK)], "its TCP even accepts connections"


def replies_late(w: Window) -> None:
    waited = [pair for pair in reply_times_s(w.rows, "zone3") if w.from_s < pair[0] < w.until_s - 1]
    assert len(waited) >= 5
    for (at_s, wait_s), (next_s, _) in pairwise(waited):
        assert at_s + 0.99 < next_s < at_s + wait_s, "the next request is out before the reply comes"
    assert not attempts(w.around, "zone3"), "it keeps the connection"


def reads_per_s(w: Window, device: str, from_s: float, until_s: float) -> float:
    """Reads of a device by all masters together, a second."""
    asked = [f for f in w.rows if f.target == device and f.dport == 502 and f.function == 3]
    return sum(from_s <= f.at_s < until_s for f in asked) / max(until_s - from_s, 0.001)


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


def address_conflict(w: Window) -> None:
    claims = [f.by for f in w.around if f.kind == "arp" and f.source == "zone3"]
    assert set(claims) == {"zone3", "stranger"}
    assert sum(a != b for a, b in pairwise(claims)) >= 2, "they alternate"
    assert [f for f in sent(w.around, "zone3") if f.is_announcement], "zone 3 defends"
    assert [f for f in sent(w.within, "stranger") if f.has(RST) and f.source == "zone3"]


def address_moved(w: Window) -> None:
    # BOOTP's yiaddr and chaddr stand at bytes 16 and 28 (RFC 2131, section 2).
    given = [f.data[16:20] for f in w.around if f.kind == "udp" and f.dport == 68 and f.at_s < w.until_s - 1]
    assert bytes((192, 0, 2, 63)) in given
    assert all(f.data[28:34].hex() == "00005e005353" for f in w.rows if f.kind == "udp")
    claimed = [f.source for f in w.around if f.by == "zone3" and f.is_announcement]
    assert claimed == ["192.0.2.63", "zone3"]
    assert not [f for f in w.within if f.source == "zone3"]
    assert again(w.around, "zone3") >= 3 and len(attempts(w.within, "zone3")) >= 3
    assert asked_for(w.within, "zone3") >= 1


def flow_forgotten(w: Window) -> None:
    old, new = ports(w.before, "zone3"), ports(w.after, "zone3")
    assert len(old) == len(new) == 1 and not old & new
    assert again(w.around, "zone3") >= 4
    assert not [f for f in w.rows if f.at_s > w.from_s + 0.3 and f.dport in old], "nothing comes back on it"
    opened = attempts(w.rows, "zone3")[0]
    accepted = next(f for f in sent(w.rows, "zone3") if f.has(SYN, ACK))
    assert opened.sport in new and accepted.at_s - opened.at_s < 0.01, "a new one works at once"
    served = ports(w.rows, "zone3", "station")
    assert len(served) == 1 and len([f for f in replies(w.within, "zone3") if f.dport in served]) >= 2


def starved(w: Window) -> None:
    for zone in ("zone1", "zone3", "zone4", "zone5", "zone6"):
        gaps = [b.at_s - a.at_s for a, b in pairwise(requests(w.rows, to=zone)) if a.at_s > w.from_s - 1]
        assert max(gaps) > 3.9, zone  # 2 s, twice
        assert replies(w.within, zone) and not attempts(w.rows, zone)
    assert not replies(w.within, "zone2")
    waits = [b.at_s - a.at_s for a, b in pairwise(requests(w.within)) if a.target == "zone2"]
    assert len(waits) >= 3 and all(1.9 < wait_s < 2.2 for wait_s in waits), "it waits for zone 2 meanwhile"


def target_dead(w: Window) -> None:
    dead = [f for f in replies(w.within, "gateway") if f.data[6] == 12]
    assert len(dead) >= 5
    assert all((f.function, f.data[8]) == (0x83, TARGET_SILENT) for f in dead)
    sound = [f for f in replies(w.within, "gateway") if f.data[6] == 11]
    assert len(sound) >= 5 and all(f.function == 3 for f in sound)
    asked = {f.transaction: f.at_s for f in requests(w.around, to="gateway") if f.data[6] == 12}
    assert all(0.35 < f.at_s - asked[f.transaction] < 0.55 for f in dead), "the serial line's time-out"


def recorder_stopped(w: Window) -> None:
    assert not w.within and longest_gap_s(w.rows) > 5.8
    for zone in (f"zone{n}" for n in range(1, 7)):
        last, first = requests(w.before, to=zone)[-1], requests(w.after, to=zone)[0]
        assert last.sport == first.sport
        assert first.seq - last.seq > 5 * len(last.data), "TCP shows that more was sent"


def connection_ended(w: Window) -> None:
    ends = [f for f in w.around if f.has(FIN) and "zone3" in (f.source, f.target)]
    assert [f.by for f in ends] == ["zone3", "plc"], "the device closes first"
    assert not [f for f in w.rows if f.has(RST)]
    opened = attempts(w.rows, "zone3")
    assert len(opened) == 1 and opened[0].at_s - ends[0].at_s > 5.5


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


def spanning_tree_change(w: Window) -> None:
    for zone in ("zone4", "zone5", "zone6"):
        assert not sent(tuple(f for f in w.within if f.at_s < w.from_s + 5), zone)
        assert again(w.around, zone) >= 3 and replies(w.after, zone)
    assert all(replies(w.within, f"zone{n}") for n in (1, 2, 3))
    # Configuration BPDU: type 0, flags at byte 4, the lowest bit is a topology change (IEEE 802.1D-1998, 9.3.1).
    changes = [f for f in w.rows if f.kind == "tree" and f.data[3] == 0 and f.data[4] & 1]
    assert changes and changes[0].at_s > w.from_s + 5, "it is told once the other cable is in use"
    trunks = [{f.by for f in rows if f.kind == "tree"} for rows in (w.before, w.within)]
    assert (len(trunks[0]), len(trunks[1])) == (2, 1), "the root is heard on one cable instead of two"


def broadcast_storm(w: Window) -> None:
    storm = [f for f in w.within if f.kind == "arp" and f.by == "terminal"]
    assert len(storm) / (w.until_s - w.from_s - 0.6) > 500
    assert not [f for f in (*w.before, *w.after) if f.kind == "arp" and f.by == "terminal"]
    for zone in ("zone4", "zone5", "zone6"):
        assert len(replies(w.within, zone)) < len(replies(w.within, "zone1")) / 4
        assert again(w.around, zone) >= 3 and replies(w.after, zone)


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


EVIDENCE: dict[str, Callable[[Window], None]] = {
    "master-killed": master_killed,
    "master-stopped": master_stopped,
    "master-idle": master_idle,
    "poll-dropped": poll_dropped,
    "device-link-down": device_link_down,
    "master-link-down": master_link_down,
    "trunk-down": trunk_down,
    "return-path-lost": return_path_lost,
    "device-stalled": device_stalled,
    "replies-late": replies_late,
    "device-saturated": device_saturated,
    "device-slow": device_slow,
    "no-free-slot": no_free_slot,
    "port-closed": port_closed,
    "device-restarted": device_restarted,
    "address-conflict": address_conflict,
    "address-moved": address_moved,
    "flow-forgotten": flow_forgotten,
    "starved-by-neighbour": starved,
    "target-dead": target_dead,
    "recorder-stopped": recorder_stopped,
    "connection-ended": connection_ended,
    "feed-wrong": feed_wrong,
    "commanded": commanded,
    "zone-switched-off": zone_switched_off,
    "spanning-tree-change": spanning_tree_change,
    "broadcast-storm": broadcast_storm,
    "healthy-jitter": healthy_jitter,
    "healthy-slow-device": healthy_slow_device,
}
