"""A network port of this process's namespace → the frames it receives, with a limit to waiting."""

from __future__ import annotations

import select
from collections.abc import Iterator

from scapy.arch.linux import L2Socket
from scapy.packet import Packet

from plant.peer import Clock


def frames(port: L2Socket, clock: Clock, until_s: float) -> Iterator[Packet]:
    """Yield what arrives until ``until_s``, seconds after recording starts."""
    while (left_s := until_s - clock.now_s()) > 0:
        if select.select([port.ins], [], [], left_s)[0]:
            frame = port.recv()
            if frame is not None:  # None: scapy passes over what this port sent itself
                yield frame
