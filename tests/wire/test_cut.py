"""Messages cut out of a stream: several to a segment, several segments to one, damage, frames cut short.

Header: Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3; longest ADU of 260 bytes: MODBUS Application
Protocol Specification V1.1b3, 4.1.
"""

import pytest

from tests.builders.adus import adu, pdus
from tests.builders.packets import ACK
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.builders.recorder import recorded
from tests.builders.rows import rows_of

READ = bytes.fromhex("0300000001")
DATA = bytes.fromhex("03020007")


def opened() -> tuple[Plant, Connection]:
    plant = Plant()
    return plant, plant.connection().handshake()


@pytest.mark.parametrize("count", [1, 2, 5, 40])
def test_messages_that_share_a_segment(count: int) -> None:
    """However many messages a segment holds, each is one, seen at the segment's time."""
    plant, connection = opened()
    connection.ask(b"".join(adu(number, 1, READ) for number in range(count)), wait=1)
    rows = rows_of(plant)
    assert rows.messages == [("request", number) for number in range(count)]
    assert {row["frame"] for row in rows.of("request")} == {3}


@pytest.mark.parametrize("at", range(1, 12))
def test_message_cut_at_every_place(at: int) -> None:
    """A message that spans two segments is seen with the second one."""
    plant, connection = opened()
    whole = adu(9, 1, READ)
    connection.ask(whole[:at], wait=1)
    connection.ask(whole[at:], wait=1)
    (request,) = rows_of(plant).of("request")
    assert (request["identifier"], request["start"], request["quantity"], request["frame"]) == (9, 0, 1, 4)


def test_stream_of_single_bytes() -> None:
    """A stream in segments of one byte gives the messages that whole segments give."""
    plant, connection = opened()
    stream = b"".join(adu(n, 1, pdus(f, 2, 3, n)[0]) for n, f in enumerate((3, 16, 23, 15, 20, 0x41, 6)))
    for byte in stream:
        connection.ask(bytes([byte]))
    other, whole = opened()
    whole.ask(stream)
    names = ("identifier", "unit", "function", "start", "quantity", "write_start", "value", "shape")
    singly, together = (
        [[row[name] for name in names] for row in rows_of(each).of("request")] for each in (plant, other)
    )
    assert len(together) == 7
    assert singly == together


def test_longest_message() -> None:
    """260 bytes make a message; a header that says more is none."""
    plant, connection = opened()
    connection.ask(adu(1, 1, b"\x41" + bytes(252)))
    connection.ask(adu(2, 1, b"\x41" + bytes(253)))
    connection.ask(adu(3, 1, READ))
    assert rows_of(plant).messages == [("request", 1), ("request", 3)]


@pytest.mark.parametrize(
    "garbage", [b"\xff", b"\x00" * 3, b"GET / HTTP/1.1\r\n\r\n", bytes(range(200)), b"\x00" * 700]
)
@pytest.mark.parametrize("side", [MASTER, DEVICE])
def test_back_in_step_after_garbage(garbage: bytes, side: int) -> None:
    """Bytes that are no message are passed over and counted; the next segment that begins one is read."""
    plant, connection = opened()
    pdu = READ if side == MASTER else DATA
    connection.segment(side, adu(1, 1, pdu))
    connection.segment(side, garbage)
    connection.segment(side, adu(2, 1, pdu))
    connection.segment(side, adu(3, 1, pdu))
    rows = rows_of(plant)
    assert [number for _, number in rows.messages] == [1, 2, 3]
    assert rows.counters.skipped_bytes == len(garbage)
    assert rows.counters.unrecorded_bytes == 0


def test_back_in_step_within_a_segment() -> None:
    """A message that follows garbage in the same segment is found by its header and its function's length."""
    plant, connection = opened()
    connection.ask(b"\xde\xad\xbe\xef" + adu(2, 1, READ) + adu(3, 1, READ))
    assert rows_of(plant).messages == [("request", 2), ("request", 3)]


def test_amid_a_connection() -> None:
    """A recording that begins within a message goes on with the next one."""
    plant = Plant()
    connection = plant.connection()
    connection.ask(adu(1, 1, READ)[5:] + adu(2, 1, READ))
    connection.answer(adu(1, 1, DATA)[3:])
    connection.answer(adu(2, 1, DATA))
    rows = rows_of(plant)
    assert rows.messages == [("request", 2), ("reply", 2)]
    assert rows.counters.undecodable_frames == 2


@pytest.mark.parametrize(
    ("side", "pdu", "is_believed"),
    [
        (MASTER, "03 0000 0001", True),
        (MASTER, "10 0000 0001 02 0007", True),
        (MASTER, "17 0000 0001 0000 0001 02 0007", True),
        (MASTER, "16 0000 0000 0000", True),
        (MASTER, "41 0102", True),
        (MASTER, "03 0000 0001 00", False),
        (MASTER, "10 0000 0001 03 0007", False),
        (DEVICE, "03 02 0007", True),
        (DEVICE, "83 02", True),
        (DEVICE, "10 0000 0001", True),
        (DEVICE, "16 0000 0000 0000", True),
        (DEVICE, "41 0102", True),
        (DEVICE, "03 04 0007", False),
        (DEVICE, "83 02 00", False),
    ],
)
def test_what_is_believed_out_of_step(side: int, pdu: str, is_believed: bool) -> None:
    """Out of step, a message must have its function's length; a private one must fill its segment."""
    plant = Plant()
    plant.connection().segment(side, adu(1, 1, bytes.fromhex(pdu)))
    assert len(rows_of(plant).messages) == is_believed
    plant, connection = opened()
    connection.segment(side, adu(1, 1, bytes.fromhex(pdu)))
    assert len(rows_of(plant).messages) == 1


def test_private_function_beside_others() -> None:
    """Out of step, a private function is not believed where its segment goes on."""
    plant = Plant()
    plant.connection().ask(adu(1, 1, b"\x41\x01") + adu(2, 1, READ))
    assert rows_of(plant).messages == [("request", 2)]


@pytest.mark.parametrize(
    ("kept", "shape"), [(12, "fits"), (11, "cut"), (8, "cut"), (7, None), (6, None), (0, None)]
)
def test_frame_cut_short(kept: int, shape: str | None) -> None:
    """Eight bytes of a message make it one; with less, they are unrecorded and the direction out of step."""
    plant, connection = opened()
    connection.ask(adu(1, 1, READ)).cut = 40 + kept
    connection.ask(adu(2, 1, READ))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("request", 2)][shape is None :]
    assert rows.counters.unrecorded_bytes == (12 if shape is None else 0)
    assert [(row["amount"], row["side"]) for row in rows.of("unrecorded")] == [(12, MASTER)] * (shape is None)
    if shape:
        assert rows.of("request")[0]["shape"] == shape


def test_cut_after_a_whole_message() -> None:
    """What follows whole messages in a frame cut short is unrecorded; the acknowledged numbers go on."""
    plant, connection = opened()
    connection.answer(adu(1, 1, DATA) + adu(2, 1, DATA)).cut = 40 + 11 + 3
    connection.answer(adu(3, 1, DATA))
    rows = rows_of(plant)
    assert rows.messages == [("reply", 1), ("reply", 3)]
    assert [row["amount"] for row in rows.of("unrecorded")] == [11]


@pytest.mark.parametrize(("kept", "is_seen"), [(1, True), (0, True)])
def test_cut_in_the_second_segment_of_a_message(kept: int, is_seen: bool) -> None:
    """A message whose first eight bytes came before counts, although its end was cut off."""
    plant, connection = opened()
    whole = adu(1, 1, READ)
    connection.ask(whole[:9])
    connection.ask(whole[9:] + adu(2, 1, READ)).cut = 40 + kept
    connection.ask(adu(3, 1, READ))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("request", 3)]
    assert rows.of("request")[0]["shape"] == "cut"
    assert [row["amount"] for row in rows.of("unrecorded")] == [12]


def test_snap_length() -> None:
    """With 66 bytes of every frame all reads are whole and replies count with their function."""
    plant, connection = opened()
    for number in range(5):
        connection.ask(adu(number, 1, bytes.fromhex("030000000a")))
        connection.answer(adu(number, 1, b"\x03\x14" + bytes(20)))
    rows = rows_of(recorded(plant.wire, snap=66))
    assert len(rows.messages) == 10
    assert {row["shape"] for row in rows.of("request")} == {"fits"}
    assert {(row["shape"], row["detail"]) for row in rows.of("reply")} == {("fits", 20)}


def test_padding_is_no_data() -> None:
    """Ethernet pads frames below 60 bytes; IP's length tells where TCP's data ends."""
    plant, connection = opened()
    connection.segment(DEVICE, adu(1, 1, b"\x83"), ACK)
    rows = rows_of(plant)
    assert rows.messages == [("reply", 1)]
    assert rows.counters.skipped_bytes == 0
