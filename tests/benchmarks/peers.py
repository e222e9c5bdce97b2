"""A capture → nanoseconds a frame that a Python library takes to decode its first frames.

    python -m tests.benchmarks.peers dpkt polling.pcap 200000

Printed as one number. Both libraries decode every layer that they know, scapy including Modbus.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Callable
from pathlib import Path


def with_dpkt(path: Path, count: int) -> int:
    """Decode Ethernet, IP and TCP; the number of frames decoded."""
    import dpkt

    with path.open("rb") as file:
        decoded = 0
        for _, data in itertools.islice(dpkt.pcap.Reader(file), count):
            dpkt.ethernet.Ethernet(data)
            decoded += 1
    return decoded


def with_scapy(path: Path, count: int) -> int:
    """Decode Ethernet, IP, TCP and Modbus; the number of frames decoded."""
    import scapy.contrib.modbus  # noqa: F401  # it binds port 502
    from scapy.utils import PcapReader

    with PcapReader(str(path)) as reader:
        return sum(1 for _ in itertools.islice(reader, count))


LIBRARIES: dict[str, Callable[[Path, int], int]] = {"dpkt": with_dpkt, "scapy": with_scapy}


def main() -> None:
    """Decode one frame, so that everything is imported, then measure."""
    decode, path, count = LIBRARIES[sys.argv[1]], Path(sys.argv[2]), int(sys.argv[3])
    decode(path, 1)
    started = time.perf_counter_ns()
    decoded = decode(path, count)
    print((time.perf_counter_ns() - started) / max(1, decoded))


if __name__ == "__main__":
    main()
