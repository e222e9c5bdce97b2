"""Single frames in, the whole messages in them out, held against scapy's layers."""

from __future__ import annotations

from pathlib import Path

import pytest
from scapy.contrib import modbus  # noqa: F401  # makes scapy decode port 502
from scapy.layers.inet import IP, TCP
from scapy.layers.l2 import Dot1Q, Ether
from scapy.packet import Raw
from scapy.utils import PcapReader

from mbsniff.wire.segment import messages_in, read_segment

SAMPLE = Path(__file__).parents[2] / "samples" / "healthy-shift.pcap"
# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 4.4.2.2: its example of a request.
EXAMPLE = bytes.fromhex("150100000006FF0300040001")


def test_the_guide_s_example() -> None:
    """Identifier, unit and PDU of the example, once and twice in a segment."""
    (message,) = messages_in(EXAMPLE)
    assert (message.identifier, message.unit, message.pdu.hex()) == (0x1501, 0xFF, "0300040001")
    assert messages_in(EXAMPLE * 2) == (message, message)


@pytest.mark.parametrize("cut", range(len(EXAMPLE)))
def test_what_is_cut_is_left_out(cut: int) -> None:
    """A message that does not lie whole in the segment is none, after a whole one too."""
    assert messages_in(EXAMPLE[:cut]) == ()
    assert len(messages_in(EXAMPLE + EXAMPLE[:cut])) == 1


def test_against_scapy() -> None:
    """Ports and PDUs of the sample's first thousand frames are what scapy makes of them."""
    compared = 0
    with PcapReader(str(SAMPLE)) as packets:
        for _, packet in zip(range(1000), packets, strict=False):
            segment = read_segment(bytes(packet.original), packet.wirelen or len(packet.original), 1)
            if TCP not in packet:
                assert segment is None
                continue
            assert segment is not None
            assert (segment.source_port, segment.destination_port) == (packet[TCP].sport, packet[TCP].dport)
            payload = bytes(packet[TCP].payload)[: packet[IP].len - 20 - packet[TCP].dataofs * 4]
            assert b"".join(m.pdu for m in segment.messages) == payload[7:]
            compared += len(segment.messages)
    assert compared > 300


def test_tags_and_damage() -> None:
    """VLAN tags are passed over; noise and single bytes are no segment."""
    inner = IP(src="192.0.2.10", dst="192.0.2.50") / TCP(sport=49152, dport=502) / Raw(EXAMPLE)
    frame = bytes(Ether() / Dot1Q(vlan=5) / inner)
    segment = read_segment(frame, len(frame), 1)
    assert segment is not None and len(segment.messages) == 1
    for length in range(54):
        assert read_segment(frame[:length], len(frame), 1) is None
    assert read_segment(b"\xff" * 60, 60, 1) is None
