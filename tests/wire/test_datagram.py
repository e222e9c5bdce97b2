"""Modbus in UDP datagrams: several messages in one, both framings, both IP versions, copies, damage."""

import pytest

from mbsniff.wire.rows import NO_IDENTIFIER
from tests.builders.adus import adu
from tests.builders.measured import DATA, READ
from tests.builders.packets import Link
from tests.builders.plant import MASTER, Plant
from tests.builders.recorder import recorded
from tests.builders.rows import rows_of
from tests.builders.serial import Ends, datagram, rtu, udp_packet
from tests.builders.tunnels import fragments

ENDS: Ends = (("192.0.2.10", 49152), ("192.0.2.50", 502))
BACK: Ends = (ENDS[1], ENDS[0])
ENDS_6: Ends = (("2001:db8::10", 49152), ("2001:db8::50", 502))


def test_a_request_and_its_reply() -> None:
    """The end with the server port is the server; both datagrams belong to one connection."""
    plant = Plant()
    datagram(plant, ENDS, adu(1, 1, READ))
    datagram(plant, BACK, adu(1, 1, DATA), wait=0.01)
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("reply", 1)]
    assert rows.reader.connections == 1
    assert rows.reader.is_udp(0)
    assert (rows.reader.client(0), rows.reader.server(0)) == ENDS
    assert (rows.counters.datagrams, rows.counters.modbus_frames) == (2, 2)


def test_ip_version_6() -> None:
    """The same over the other version, with VLAN tags."""
    plant = Plant()
    datagram(plant, ENDS_6, adu(1, 1, READ))
    datagram(plant, (ENDS_6[1], ENDS_6[0]), adu(1, 1, DATA), wait=0.01)
    rows = rows_of(recorded(plant.wire, Link(tags=(0x8100,))))
    assert rows.messages == [("request", 1), ("reply", 1)]
    assert (rows.reader.client(0), rows.reader.server(0)) == ENDS_6


def test_tcp_between_the_same_ends_is_another_connection() -> None:
    """Addresses and ports may be the same."""
    plant = Plant()
    plant.connection(*ENDS).handshake().ask(adu(1, 1, READ))
    datagram(plant, ENDS, adu(2, 1, READ))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("request", 2)]
    assert [rows.reader.is_udp(c) for c in range(rows.reader.connections)] == [False, True]


def test_several_messages_in_a_datagram() -> None:
    """Each is one, seen at the datagram's time."""
    plant = Plant()
    datagram(plant, ENDS, adu(1, 1, READ) + adu(2, 1, READ) + adu(3, 2, READ))
    assert rows_of(plant).messages == [("request", 1), ("request", 2), ("request", 3)]


def test_serial_framing_in_datagrams() -> None:
    """Unit, PDU and CRC, several frames in one datagram."""
    plant = Plant()
    datagram(plant, ENDS, rtu(1, READ) + rtu(2, READ))
    datagram(plant, BACK, rtu(1, DATA), wait=0.01)
    rows = rows_of(plant)
    assert rows.messages == [("request", NO_IDENTIFIER)] * 2 + [("reply", NO_IDENTIFIER)]
    assert rows.reader.serial_messages.tolist() == [3]


def test_a_copy_of_the_mirror_port_and_a_datagram_sent_again() -> None:
    """The same packet within 10 ms is a copy; the same request in another packet is another request."""
    plant = Plant()
    datagram(plant, ENDS, adu(1, 1, READ), ip_id=5)
    datagram(plant, ENDS, adu(1, 1, READ), wait=0.001, ip_id=5)
    datagram(plant, ENDS, adu(1, 1, READ), wait=0.5, ip_id=6)
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("request", 1)]
    assert rows.counters.repeated_frames == 1


@pytest.mark.parametrize("payload", [b"", b"\x00", b"GET / HTTP/1.1\r\n", adu(1, 1, READ)[:-1], bytes(40)])
def test_no_message(payload: bytes) -> None:
    """Whatever else a datagram holds is counted, and gives nothing."""
    plant = Plant()
    datagram(plant, ENDS, payload)
    rows = rows_of(plant)
    assert not rows.found
    assert rows.counters.undecodable_frames == bool(payload)
    assert rows.counters.skipped_bytes == len(payload)


def test_a_message_behind_which_something_else_stands() -> None:
    """The message counts, the rest is passed over."""
    plant = Plant()
    datagram(plant, ENDS, adu(1, 1, READ) + b"\xff\xff\xff")
    rows = rows_of(plant)
    assert rows.messages == [("request", 1)]
    assert (rows.counters.undecodable_frames, rows.counters.skipped_bytes) == (1, 3)


@pytest.mark.parametrize("length", [0, 7, 8, 21, 65535])
def test_lengths_that_lie(length: int) -> None:
    """UDP's own length must lie within IP's (RFC 768)."""
    plant = Plant()
    datagram(plant, ENDS, adu(1, 1, READ))
    packet = bytearray(plant.wire[0].packet)
    packet[24:26] = length.to_bytes(2, "big")
    plant.wire[0].packet = bytes(packet)
    rows = rows_of(plant)
    assert not rows.messages
    assert rows.counters.undecodable_frames == (length != 8)


@pytest.mark.parametrize("cut", range(20, 40))
def test_frames_cut_short(cut: int) -> None:
    """What is visible of a message counts from its function code on."""
    plant = Plant()
    datagram(plant, ENDS, adu(1, 1, READ)).cut = cut
    rows = rows_of(plant)
    assert rows.messages == ([("request", 1)] if cut >= 36 else [])


@pytest.mark.parametrize("order", [1, -1])
def test_fragments_are_put_together_first(order: int) -> None:
    """A datagram in IP fragments, in whichever order (RFC 791, 3.2)."""
    plant = Plant()
    whole = udp_packet(*ENDS, adu(1, 1, bytes.fromhex("100001000204000A0102")), 7)
    for part in fragments(whole, 7, 16)[::order]:
        plant.wait(0.001)
        datagram(plant, ENDS, b"")
        plant.wire[-1].packet = part
    rows = rows_of(plant)
    assert rows.messages == [("request", 1)]
    assert rows.of("request")[0]["value"] == bytes.fromhex("000A0102")


def test_between_two_server_ports_whoever_was_spoken_to_first_is_the_server() -> None:
    """Both ends use port 502."""
    plant = Plant()
    ends: Ends = (("192.0.2.10", 502), ("192.0.2.50", 502))
    for number in range(2):
        datagram(plant, ends, adu(number, 1, READ))
        datagram(plant, (ends[1], ends[0]), adu(number, 1, DATA), wait=0.01)
    rows = rows_of(plant)
    assert rows.messages == [("request", 0), ("reply", 0), ("request", 1), ("reply", 1)]
    assert MASTER == 0 and rows.reader.client(0) == ends[0]
