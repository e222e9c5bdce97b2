"""Process of the recorder: frames at the mirror port → a pcap or pcapng file. Arguments: scenario, file."""

from __future__ import annotations

import gzip
import select
import socket
import struct
import sys
import time
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import scapy.layers.l2  # noqa: F401 - tells scapy what an Ethernet frame is
from scapy.arch.linux import L2ListenSocket
from scapy.data import DLT_EN10MB, SO_TIMESTAMPNS
from scapy.utils import RawPcapNgWriter, RawPcapWriter

from plant.network import RECORDER_PORT
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

Frame = tuple[int, bytes]  # kernel's time in ns since the epoch; the whole frame
LONGEST_FRAME_BYTES = 65535
SOL_PACKET, PACKET_STATISTICS = 263, 6  # linux/socket.h, linux/if_packet.h
NS_PER_S = 1_000_000_000


def receive(listener: L2ListenSocket) -> Frame:
    """Take one frame with its time; scapy's own reading would round the time to a float."""
    data, ancillary, _, _ = listener.ins.recvmsg(LONGEST_FRAME_BYTES, 256)
    for level, kind, value in ancillary:
        if (level, kind) == (socket.SOL_SOCKET, SO_TIMESTAMPNS):
            seconds, nanoseconds = struct.unpack("ll", value)
            return seconds * NS_PER_S + nanoseconds, data
    raise SystemExit("the kernel gave a frame without its time")


def listen(clock: Clock, from_s: float, until_s: float) -> list[Frame]:
    """Record from one time to another; frames in the order of their times, equal ones as they came."""
    frames: list[Frame] = []
    with L2ListenSocket(iface=RECORDER_PORT, promisc=True) as listener:
        while (left_s := until_s - clock.now_s()) > 0:
            if select.select([listener.ins], [], [], left_s)[0]:
                frame = receive(listener)
                frames += [frame] if clock.now_s() >= from_s else []
        _, dropped = struct.unpack("II", listener.ins.getsockopt(SOL_PACKET, PACKET_STATISTICS, 8))
    if dropped:
        raise SystemExit(f"the recorder was too slow: {dropped} frames are missing")
    return sorted(frames, key=lambda frame: frame[0])


def write(path: Path, frames: list[Frame], nanoseconds: bool) -> None:
    """Write the frames in the format that the name tells; ``.gz`` is compressed."""
    plain = path.with_suffix("") if path.suffix == ".gz" else path
    if plain.suffix == ".pcapng":
        _write_pcapng(plain, frames)
    else:
        _write_pcap(plain, frames, nanoseconds)
    if plain != path:
        # Neither name nor time in the compressed file: it depends on the frames only.
        with path.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as target:
            target.write(plain.read_bytes())
        plain.unlink()


def _write_pcap(path: Path, frames: list[Frame], nanoseconds: bool) -> None:
    unit_ns = 1 if nanoseconds else 1000
    with RawPcapWriter(str(path), linktype=DLT_EN10MB, nano=nanoseconds) as writer:
        writer.write_header(None)
        for time_ns, data in frames:
            seconds, rest_ns = divmod(time_ns, NS_PER_S)
            writer.write_packet(data, sec=seconds, usec=rest_ns // unit_ns)


def _write_pcapng(path: Path, frames: list[Frame]) -> None:
    with RawPcapNgWriter(str(path)) as writer:
        writer.linktype = DLT_EN10MB
        writer.write_header(None)
        for time_ns, data in frames:
            exact_s = Decimal(time_ns) / NS_PER_S  # scapy cuts it to microseconds, a float might miss by one
            writer.write_packet(data, sec=exact_s)  # type: ignore[arg-type]


def record(scenario: Scenario, path: Path, clock: Clock) -> None:
    """Record one scenario into ``path``."""
    frames: list[Frame] = []
    for from_s, until_s in pairwise((0.0, *(scenario.recorder_away or ()), scenario.span_s)):
        if (from_s, until_s) == scenario.recorder_away:
            time.sleep(max(0.0, until_s - clock.now_s()))
        else:
            frames += listen(clock, from_s, until_s)
    write(path, frames, scenario.nanoseconds)


if __name__ == "__main__":
    record(find(sys.argv[1]), Path(sys.argv[2]), get_set())
