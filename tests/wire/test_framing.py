"""Which framing a connection speaks: serial frames found, whatever segments they come in; MBAP never taken for it."""

import itertools
import random
from collections.abc import Sequence

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mbsniff.wire.rows import NO_IDENTIFIER
from tests.builders.adus import FUNCTIONS, adu, pdus
from tests.builders.measured import DATA, READ
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.builders.rows import Rows, rows_of
from tests.builders.serial import crc_16, rtu

PUBLIC = tuple(f for f in FUNCTIONS if f < 0x41)
Told = list[tuple[str, int, int, int]]


def opened() -> tuple[Plant, Connection]:
    plant = Plant()
    return plant, plant.connection().handshake()


def told(rows: Rows) -> Told:
    """(kind, unit, function, frame) of all messages; all of them in serial framing."""
    assert {row["identifier"] for row in rows.of("request", "reply")} <= {NO_IDENTIFIER}
    return [(r["kind"], r["unit"], r["function"], r["frame"]) for r in rows.of("request", "reply")]


def pieces(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    """The data cut at these places."""
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[a:b] for a, b in itertools.pairwise(places)]


@pytest.mark.parametrize("pick", [0, 1])
@pytest.mark.parametrize("function", PUBLIC)
def test_each_function_is_recognised_by_its_first_frame(function: int, pick: int) -> None:
    """A request and a reply, also where only one side is recorded."""
    plant, connection = opened()
    connection.segment((MASTER, DEVICE)[pick], rtu(7, pdus(function, 0, 3, 5)[pick]))
    kind = ("request", "reply")[pick]
    assert told(rows_of(plant)) == [(kind, 7, function, 3)]


def test_fields_are_those_of_the_pdu() -> None:
    """The worked example of function 16 (V1.1b3, 6.12) in serial framing."""
    plant, connection = opened()
    connection.ask(rtu(1, bytes.fromhex("100001000204000A0102")))
    (request,) = rows_of(plant).of("request")
    assert (request["start"], request["quantity"]) == (1, 2)
    assert (request["value"], request["shape"]) == (bytes.fromhex("000A0102"), "fits")


@settings(max_examples=150, deadline=None)
@given(
    asked=st.lists(st.tuples(st.sampled_from(PUBLIC), st.integers(0, 300), st.integers(1, 16)), min_size=1, max_size=6),
    cuts=st.lists(st.integers(0, 5000), max_size=12),
    side=st.sampled_from([MASTER, DEVICE]),
)  # fmt: skip
def test_any_segments(asked: list[tuple[int, int, int]], cuts: list[int], side: int) -> None:
    """After a handshake, however the stream is cut, every frame is read, at the segment that completes it."""
    frames = [rtu(1 + n % 3, pdus(f, start, count, 4)[side]) for n, (f, start, count) in enumerate(asked)]
    parts = pieces(b"".join(frames), cuts)
    plant, connection = opened()
    for part in parts:
        connection.segment(side, part, wait=0.001)
    kind = ("request", "reply")[side]
    expected, end = [], 0
    ends = [sum(map(len, parts[: k + 1])) for k in range(len(parts))]
    for n, (frame, (function, _, _)) in enumerate(zip(frames, asked, strict=True)):
        end += len(frame)
        expected.append((kind, 1 + n % 3, function, 3 + next(k for k, e in enumerate(ends) if e >= end)))
    assert told(rows_of(plant)) == expected


@settings(max_examples=150, deadline=None)
@given(
    asked=st.lists(
        st.tuples(st.sampled_from(FUNCTIONS), st.integers(0, 0xFFFF), st.integers(1, 16)), min_size=1, max_size=5
    ),
    cuts=st.lists(st.integers(0, 5000), max_size=12),
    side=st.sampled_from([MASTER, DEVICE]),
)  # fmt: skip
@example(asked=[(1, 0xFFFF, 1)], cuts=[1], side=DEVICE)  # FF FF 00 00 00 has the CRC of an exception reply
def test_mbap_in_any_segments(asked: list[tuple[int, int, int]], cuts: list[int], side: int) -> None:
    """MBAP messages whose identifiers may pass for units and functions are read as ever, also the first ones."""
    stream = b"".join(adu(number, 1, pdus(f, 5, count, 4)[side]) for f, number, count in asked)
    plant, connection = opened()
    for part in pieces(stream, cuts):
        connection.segment(side, part, wait=0.001)
    kind = ("request", "reply")[side]
    assert rows_of(plant).messages == [(kind, number) for _, number, _ in asked]


@pytest.mark.parametrize("second", range(2, 12))
@pytest.mark.parametrize("first", range(1, 11))
def test_mbap_in_three_segments(first: int, second: int) -> None:
    """Also where its first eight bytes have the length of a serial frame."""
    plant, connection = opened()
    whole = adu(3, 1, READ)
    for part in (whole[:first], whole[first : max(first, second)], whole[max(first, second) :]):
        if part:
            connection.ask(part, wait=0.001)
    assert rows_of(plant).messages == [("request", 3)]


@pytest.mark.parametrize("frames", [1, 2, 5, 100])
def test_the_same_whatever_the_batches(frames: int) -> None:
    """Cutting the recording into batches anywhere changes nothing."""
    from mbsniff.wire.reader import MessageReader
    from tests.builders.recorder import recorded
    from tests.builders.rows import batch_of

    drawn = random.Random(4)
    plant, connection = opened()
    for number in range(12):
        for side in (MASTER, DEVICE):
            for part in pieces(rtu(3, pdus(16, number, 4, 9)[side]), [drawn.randrange(20)]):
                connection.segment(side, part, wait=0.01)
    records = recorded(plant.wire)
    reader = MessageReader(compiled=False)
    found = []
    for first in range(0, len(records), frames):
        batch = batch_of(records[first : first + frames])
        for rows, _ in reader.feed(batch, first):
            found += [(row[0], row[5], row[6], row[3]) for row in rows.tolist() if row[0] < 2]
    whole = [({"request": 0, "reply": 1}[k], *rest) for k, *rest in told(rows_of(plant))]
    assert found == whole and len(whole) == 24


@pytest.mark.parametrize("tail", [1, 2, 5, 7])
def test_a_recording_that_begins_amid_a_frame(tail: int) -> None:
    """Its end is passed over; what follows is read."""
    plant = Plant()
    connection = plant.connection()
    connection.ask(rtu(1, READ)[-tail:])
    for _ in range(3):
        connection.ask(rtu(1, READ), wait=0.1)
        connection.answer(rtu(1, DATA))
    messages = told(rows_of(plant))
    assert [kind for kind, *_ in messages[-5:]] == ["reply", "request", "reply", "request", "reply"]


def test_address_0_and_2_registers() -> None:
    """01 03 00 00 00 02 C4 0B is also a faultless MBAP request (unit C4, function 0B): the CRC decides."""
    plant, connection = opened()
    message = rtu(1, bytes.fromhex("0300000002"))
    assert message == bytes.fromhex("010300000002C40B") == adu(0x0103, 0xC4, b"\x0b")
    connection.ask(message)
    connection.answer(rtu(1, bytes.fromhex("030400070008")))
    assert told(rows_of(plant)) == [("request", 1, 3, 3), ("reply", 1, 3, 4)]


def test_chance_is_put_right() -> None:
    """Where that request was MBAP all the same, the reply tells, and the connection is read as MBAP from there."""
    plant, connection = opened()
    connection.ask(adu(0x0103, 0xC4, b"\x0b"))
    connection.answer(adu(0x0103, 0xC4, bytes.fromhex("0BFFFF0108")))
    connection.ask(adu(0x0104, 0xC4, READ))
    connection.answer(adu(0x0104, 0xC4, DATA))
    rows = rows_of(plant)
    assert rows.messages[1:] == [("reply", 0x0103), ("request", 0x0104), ("reply", 0x0104)]


def test_mbap_whose_bytes_have_a_right_crc() -> None:
    """An MBAP request that ends with the CRC of what precedes it, its quantity, stays one: its length decides."""
    plant, connection = opened()
    for number in range(0x0100, 0x0200):
        body = adu(number, 1, READ)[:-2]
        connection.ask(body + crc_16(body))
    rows = rows_of(plant)
    assert rows.messages == [("request", number) for number in range(0x0100, 0x0200)]
    assert not rows.reader.serial_messages.any()


@pytest.mark.parametrize("function", PUBLIC)
def test_damaged_mbap_headers(function: int) -> None:
    """Messages with a wrong protocol identifier are no serial frames."""
    plant, connection = opened()
    for number in range(40):
        for side in (MASTER, DEVICE):
            whole = bytearray(adu(number, 1, pdus(function, 0, 2, number)[side]))
            whole[3] = 1
            connection.segment(side, bytes(whole))
    assert not rows_of(plant).reader.serial_messages.any()


def test_a_damaged_frame_is_passed_over() -> None:
    """A frame with a wrong CRC is none; those before and behind it, in the same segment too, are read."""
    plant, connection = opened()
    bad = bytearray(rtu(1, READ))
    bad[4] ^= 1
    connection.ask(rtu(1, READ))
    connection.ask(bytes(bad))
    connection.ask(rtu(1, READ) + bytes(bad) + rtu(2, READ))
    connection.ask(rtu(3, READ))
    rows = rows_of(plant)
    assert [unit for _, unit, _, _ in told(rows)] == [1, 1, 2, 3]
    assert (rows.counters.skipped_bytes, rows.counters.undecodable_frames) == (16, 2)


def test_bytes_that_the_recording_lacks() -> None:
    """What was lost is unrecorded; the frames after it are read."""
    plant, connection = opened()
    connection.ask(rtu(1, READ))
    connection.ask(rtu(2, READ)[:3])
    connection.ask(rtu(2, READ)[3:]).lost = True
    connection.answer(rtu(2, DATA))
    connection.ask(rtu(3, READ), wait=2)
    rows = rows_of(plant)
    assert [(kind, unit) for kind, unit, _, _ in told(rows)] == [("request", 1), ("reply", 2), ("request", 3)]
    assert rows.counters.unrecorded_bytes == 5


def test_a_frame_that_the_recorder_cut() -> None:
    """In step, a frame whose CRC lies behind the snap length counts with what is visible of it."""
    plant, connection = opened()
    connection.ask(rtu(1, READ))
    connection.answer(rtu(1, pdus(3, 0, 16, 5)[1])).cut = 40 + 10
    connection.ask(rtu(1, READ), wait=1)
    rows = rows_of(plant)
    assert [kind for kind, *_ in told(rows)] == ["request", "reply", "request"]
    assert rows.of("reply")[0]["detail"] == 32


def test_private_functions_once_the_framing_is_known() -> None:
    """A frame whose function states no length is exactly a segment."""
    plant, connection = opened()
    connection.ask(rtu(1, READ))
    connection.ask(rtu(1, b"\x41\x01\x02\x03"))
    assert told(rows_of(plant)) == [("request", 1, 3, 3), ("request", 1, 0x41, 4)]


def test_each_connection_has_its_own_framing() -> None:
    """After a new handshake on the same ports the framing is open again."""
    plant, connection = opened()
    connection.ask(rtu(1, READ))
    connection.close(MASTER)
    connection.handshake((70000, 90000))
    connection.ask(adu(5, 1, READ))
    connection.answer(adu(5, 1, DATA))
    rows = rows_of(plant)
    assert rows.messages == [("request", NO_IDENTIFIER), ("request", 5), ("reply", 5)]


@settings(max_examples=60, deadline=None)
@given(
    data=st.binary(min_size=1, max_size=300),
    cuts=st.lists(st.integers(0, 300), max_size=4),
    side=st.integers(0, 1),
)
def test_whatever_follows_never_breaks_it(data: bytes, cuts: list[int], side: int) -> None:
    """Any bytes, before the framing is known and after; then frames are read again."""
    for first in (b"", rtu(1, READ if side == MASTER else DATA)):
        plant, connection = opened()
        for part in [*([first] if first else []), *pieces(data, cuts)]:
            connection.segment(side, part, wait=0.01)
        for number in range(4):
            connection.segment(side, rtu(number, READ if side == MASTER else DATA), wait=0.01)
        assert told(rows_of(plant))[-1:] == [(("request", "reply")[side], 3, 3, 2 + len(plant.wire) - 3)]
