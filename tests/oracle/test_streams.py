"""What the oracle makes of frames: TCP order, copies, holes, link types and capture formats."""

import gzip
import struct
from pathlib import Path
from typing import Any

import pytest

from tests.oracle import read_captures
from tests.oracle.frames import Frame, read_frames
from tests.oracle.layers import IPV4, LINUX_SLL, LINUX_SLL2, NULL, RAW, decode
from tests.oracle.talk import ACK, EPOCH_S, FIN, Talk, adu, write

READ, DATA, DEVICE = "03 0000 0001", "03 02 0007", "192.0.2.50:502/1"
REQUEST = adu(1, 1, READ)


def read(tmp_path: Path, *talks: Talk, device: str = DEVICE) -> tuple[dict[str, Any], dict[str, Any]]:
    result = read_captures([write(tmp_path / "talk.pcap", *talks)])
    return result["recording"], result["devices"][device]


def test_out_of_order(tmp_path: Path) -> None:
    """A message whose first bytes come last is complete with these."""
    talk = Talk().send(1, 0, REQUEST[6:], ahead=6).send(1.5, 0, REQUEST[:6]).lose(0, 6).answer(2, 1, 1, DATA)
    recording, device = read(tmp_path, Talk().handshake(0), talk)
    assert (recording["modbus_messages"], recording["unrecorded_bytes"]) == (2, 0)
    assert device["reply_ms"]["max"] == 500


def test_mirror_copy_and_tcp_sending_again(tmp_path: Path) -> None:
    """Identical within 10 ms is a copy; later, or with another IP identification, TCP sent again."""
    talk = Talk().ask(1, 1, 1, READ).copy_last(1.01)
    recording, device = read(tmp_path, talk)
    assert (recording["repeated_frames"], device["requests"]) == (1, 1)
    for again in (Talk().ask(1, 1, 1, READ).copy_last(1.011), Talk().ask(1, 1, 1, READ)):
        if len(again.frames) == 1:
            again.send(1.001, 0, REQUEST, back=12)
        recording, device = read(tmp_path, again)
        assert (recording["repeated_frames"], device["requests"]) == (0, 1)


def test_sequence_numbers_wrap(tmp_path: Path) -> None:
    """After 2**32 - 1 follows 0."""
    talk = Talk().handshake(0, (2**32 - 5, 2**32 - 3))
    for i in range(3):
        talk.ask(1 + i, i, 1, READ).answer(1.1 + i, i, 1, DATA)
    recording, device = read(tmp_path, talk.send(5, 0, flags=FIN | ACK).send(5, 1, flags=FIN | ACK))
    assert (device["answered"], recording["unrecorded_bytes"]) == (3, 0)


def test_keep_alive_is_no_hole(tmp_path: Path) -> None:
    """Probes repeat the byte before the next one, first thing in a recording or later."""
    talk = Talk().send(0, 0, back=1).send(0, 1).send(1, 0, b"\0", back=1).send(1, 1)
    talk.ask(2, 1, 1, READ).answer(2.1, 1, 1, DATA).send(9, 0, b"\0", back=1).send(9, 1)
    recording, device = read(tmp_path, talk)
    assert (device["answered"], recording["unrecorded_bytes"], recording["modbus_messages"]) == (1, 0, 2)


def test_only_one_direction(tmp_path: Path) -> None:
    """Acknowledgements alone show the replies that the recording lacks."""
    talk = Talk()
    for i in range(3):
        talk.ask(1 + i, i, 1, READ).lose(1, 11)
    recording, device = read(tmp_path, talk.send(4, 0))
    assert (recording["unrecorded_bytes"], device["unknown"], device["open_at_end"]) == (33, 2, 1)


def test_back_in_step_after_a_hole(tmp_path: Path) -> None:
    """After lost bytes reading goes on at the next segment that begins like a message."""
    talk = Talk().handshake(0).lose(0, 7).send(1, 0, b"\x12\x34\x56\x78\x9a\xbc").ask(2, 5, 1, READ)
    recording, device = read(tmp_path, talk)
    assert (recording["unrecorded_bytes"], device["requests"]) == (7, 1)


def test_frame_cut_short(tmp_path: Path) -> None:
    """What the recorder cut off was sent: the reply is unknown, not missing."""
    talk = Talk().ask(1, 1, 1, READ).answer(1.1, 1, 1, DATA, recorded=60).ask(2, 2, 1, READ)
    talk.answer(2.1, 2, 1, DATA)
    recording, device = read(tmp_path, talk)
    assert (recording["cut_short_frames"], recording["unrecorded_bytes"]) == (1, 11)
    assert (device["unknown"], device["answered"]) == (1, 1)


def test_addresses_of_ipv6(tmp_path: Path) -> None:
    """IPv6 addresses stand in brackets."""
    talk = Talk(("2001:db8::a", 49152), ("2001:db8::1", 502)).ask(1, 1, 1, READ).answer(1.1, 1, 1, DATA)
    _, device = read(tmp_path, talk, device="[2001:db8::1]:502/1")
    assert (device["answered"], device["masters"]) == (1, ["2001:db8::a"])


@pytest.mark.parametrize(
    ("link", "head"),
    [
        (RAW, b""),
        (IPV4, b""),
        (NULL, b"\x02\0\0\0"),
        (LINUX_SLL, bytes(14) + b"\x08\x00"),
        (LINUX_SLL2, b"\x08\x00" + bytes(18)),
        (1, bytes(12) + b"\x88\xa8\x00\x07\x81\x00\x00\x08\x08\x00"),
    ],
)
def test_link_types(link: int, head: bytes) -> None:
    """The IP packet is found below every link header."""
    data = head + Talk().ask(1, 1, 1, READ).frames[0][1][14:] + b"padding"
    segment = decode(0, Frame(0, link, data, len(data)))
    assert segment is not None
    assert (segment.payload, segment.length) == (REQUEST, 12)


def block(order: str, kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    return struct.pack(order + "2I", kind, len(body) + 12) + body + struct.pack(order + "I", len(body) + 12)


@pytest.mark.parametrize("order", "<>")
def test_pcapng_times(tmp_path: Path, order: str) -> None:
    """Resolution and offset count per interface, interfaces per section (draft-ietf-opsawg-pcapng)."""
    section = block(order, 0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1))
    options = struct.pack(order + "HHB3xHHqHH", 9, 1, 0x8A, 14, 8, 100, 0, 0)
    binary = block(order, 1, struct.pack(order + "HxxI", 1, 0) + options)
    plain = block(order, 1, struct.pack(order + "HxxI", 101, 0))
    packet = block(order, 6, struct.pack(order + "5I", 0, 0, 1536, 3, 60) + b"abc")
    # The vector of the draft: 2012-06-29 06:17:00.834163 UTC in microseconds.
    high_low = struct.unpack("<2I", bytes.fromhex("96C30400 73896A65"))
    vector = block(order, 6, struct.pack(order + "5I", 0, *high_low, 4, 4) + b"abcd")
    path = tmp_path / "sections.pcapng"
    path.write_bytes(section + binary + packet + section + plain + vector)
    first, second = read_frames([path])
    assert (first.time_ns, first.link, first.data, first.original) == (101_500_000_000, 1, b"abc", 60)
    assert (second.time_ns, second.link, second.data) == (1_340_950_620_834_163_000, 101, b"abcd")


def test_several_files_compressed(tmp_path: Path) -> None:
    """Rotated files count as one recording, whatever the order in which they are named."""
    talk = Talk().ask(1, 1, 1, READ).answer(1.1, 1, 1, DATA)
    whole = write(tmp_path / "whole.pcap", talk)
    header, records = whole.read_bytes()[:24], whole.read_bytes()[24:]
    first, second = tmp_path / "a.pcap.gz", tmp_path / "b.pcap"
    first.write_bytes(gzip.compress(header + records[: 16 + 66]))
    second.write_bytes(header + records[16 + 66 :])
    assert read_captures([second, first]) == read_captures([whole])
    assert read_frames([whole])[0].time_ns == (EPOCH_S + 1) * 10**9
