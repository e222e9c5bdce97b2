"""What the wire shows where frames do not arrive: links, filters, addresses, trees and storms."""

from __future__ import annotations

from itertools import pairwise

from tests.lab.frames import ACK, RST, SYN
from tests.lab.window import Window, again, asked_for, attempts, ports, replies, sent

DHCPOFFER, DHCPACK, DHCPNAK = 2, 5, 6  # RFC 2132, section 9.6


def nothing_comes_from(w: Window, device: str) -> None:
    """The PLC tries, by requests sent again and new attempts; nobody hears the device."""
    assert not sent(w.within, device)
    assert again(w.around, device) >= 3 and len(attempts(w.within, device)) >= 3
    assert replies(w.before, device) and replies(w.after, device)


def device_link_down(w: Window) -> None:
    nothing_comes_from(w, "zone3")
    assert asked_for(w.within, "zone3") >= 1
    assert {f.source for f in sent(w.rows, "zone3")} == {"zone3"}, "under no other address either"
    assert [f for f in w.rows if f.by == "zone3" and f.is_announcement]
    assert all(replies(w.within, f"zone{n}") for n in (1, 2, 4, 5, 6))


def link_back(w: Window) -> None:
    assert again(w.around, "zone3") >= 6
    assert not [f for f in w.rows if f.has(RST)] and not attempts(w.rows, "zone3")
    assert ports(w.before, "zone3") == ports(w.after, "zone3"), "the old connection goes on"
    back = [f.at_s for f in w.within if f.by == "zone3" and f.is_announcement]
    assert len(back) == 1 and replies(w.around, "zone3")[0].at_s > back[0] + 2.5, "TCP waits longer each time"


def trunk_down(w: Window) -> None:
    for zone in ("zone4", "zone5", "zone6"):
        nothing_comes_from(w, zone)
    assert sum(asked_for(w.within, zone) for zone in ("zone4", "zone5", "zone6")) >= 2
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


def lease_refused(w: Window) -> None:
    # Option 53 comes first after the cookie, at byte 240 (RFC 2131, section 3; RFC 2132, section 9.6).
    told = [(f.at_s, f.data[242]) for f in w.rows if f.kind == "udp" and f.dport == 68]
    assert [kind for _, kind in told] == [DHCPNAK, DHCPOFFER, DHCPACK]
    assert abs(told[0][0] - w.from_s) < 0.3 and told[1][0] > w.from_s + 6
    assert not [f for f in w.within if f.source == "zone3"]
    assert again(w.around, "zone3") >= 3 and len(attempts(w.within, "zone3")) >= 3


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
