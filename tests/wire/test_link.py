"""Where the IP header lies below each link header, and what becomes of frames that carry none."""

import pytest

from tests.builders.adus import adu
from tests.builders.packets import COOKED, COOKED_2, ETHERNET, IPV4, IPV6, LOOP, MACS, NULL, RAW, Link
from tests.builders.plant import BEGINS_NS, Plant
from tests.builders.recorder import Record, recorded
from tests.builders.rows import rows_of

READ = adu(7, 1, bytes.fromhex("0300000001"))
V4, V6 = ("192.0.2.10", "192.0.2.50"), ("2001:db8::10", "2001:db8::50")


def records(link: Link, addresses: tuple[str, str] = V4, snap: int | None = None) -> list[Record]:
    plant = Plant()
    plant.connection((addresses[0], 49152), (addresses[1], 502)).ask(READ)
    return recorded(plant.wire, link, snap)


@pytest.mark.parametrize("addresses", [V4, V6], ids=["IPv4", "IPv6"])
@pytest.mark.parametrize(
    "link",
    [
        Link(ETHERNET),
        Link(ETHERNET, (0x8100,)),
        Link(ETHERNET, (0x88A8, 0x8100)),
        Link(ETHERNET, (0x9100, 0x8100, 0x8100)),
        Link(RAW),
        Link(COOKED),
        Link(COOKED_2),
        Link(NULL, order="little"),
        Link(NULL, order="big"),
        Link(LOOP),
    ],
    ids=str,
)
def test_every_link_type(link: Link, addresses: tuple[str, str]) -> None:
    """A message is found below every link header (draft-ietf-opsawg-pcaplinktype, 2; IEEE 802.1Q, 9.6)."""
    rows = rows_of(records(link, addresses), links=[link.number])
    assert rows.messages == [("request", 7)]
    assert rows.reader.client(0) == (addresses[0], 49152)
    assert rows.reader.server(0) == (addresses[1], 502)


@pytest.mark.parametrize(("number", "addresses"), [(IPV4, V4), (IPV6, V6)])
def test_links_of_one_ip_version(number: int, addresses: tuple[str, str]) -> None:
    """LINKTYPE_IPV4 and LINKTYPE_IPV6 begin with the IP header."""
    assert rows_of(records(Link(number), addresses), links=[number]).messages == [("request", 7)]


@pytest.mark.parametrize("family", [10, 24, 28, 30])
def test_families_of_ipv6(family: int) -> None:
    """AF_INET6 has another number on each kind of system; any of them is taken."""
    ((time_ns, frame, original),) = records(Link(NULL), V6)
    frame = family.to_bytes(4, "little") + frame[4:]
    assert rows_of([(time_ns, frame, original)], links=[NULL]).messages == [("request", 7)]


@pytest.mark.parametrize(
    ("number", "frame"),
    [
        (ETHERNET, MACS + b"\x08\x06" + bytes(46)),
        (ETHERNET, MACS + b"\x00\x26" + bytes(46)),
        (COOKED, bytes(14) + b"\x08\x06" + bytes(28)),
        (COOKED_2, b"\x08\x06" + bytes(46)),
        (NULL, b"\x07\0\0\0" + bytes(40)),
        (RAW, b"\x50" + bytes(40)),
    ],
)
def test_frames_without_ip(number: int, frame: bytes) -> None:
    """Other protocols are passed over without a word: ARP, spanning tree, other families, no IP version."""
    rows = rows_of([(BEGINS_NS, frame, len(frame))], links=[number])
    assert (rows.found, rows.counters.undecodable_frames, rows.counters.modbus_frames) == ([], 0, 0)


@pytest.mark.parametrize("number", [ETHERNET, RAW, COOKED, COOKED_2, NULL, LOOP])
@pytest.mark.parametrize("addresses", [V4, V6], ids=["IPv4", "IPv6"])
def test_frames_that_end_within_a_header(number: int, addresses: tuple[str, str]) -> None:
    """A frame cut anywhere within its headers is undecodable or passed over, never read beyond its end."""
    ((time_ns, frame, original),) = records(Link(number), addresses)
    headers = len(frame) - len(READ) - (0 if number != ETHERNET else max(60 - original, 0))
    for kept in range(headers):
        rows = rows_of([(time_ns, frame[:kept], original)], links=[number])
        assert rows.found == []
        assert rows.counters.undecodable_frames + rows.counters.modbus_frames <= 1


def test_unknown_link() -> None:
    """Frames of a link type that mbsniff does not know count as undecodable."""
    rows = rows_of([(BEGINS_NS, bytes(60), 60)], links=[147])
    assert (rows.counters.unknown_link, rows.counters.undecodable_frames) == (1, 1)
