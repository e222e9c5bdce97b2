"""Rows of frames → a byte matrix, one pcap record a row: all that stays the same each time it is used."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.plan import Frames
from tests.benchmarks.shape import MODBUS_PORT, Bytes, Connections, Ints, Shape, addresses

FILE_HEADER = bytes.fromhex("d4c3b2a1 0200 0400 00000000 00000000 00000400 01000000")
"""Little-endian, microseconds, version 2.4, snapshot length 262144, Ethernet (draft-ietf-opsawg-pcap)."""
RECORD_BYTES = 16
ETHERNET_BYTES = 14
TCP_BYTES = 20
SHORTEST_FRAME = 60  # IEEE 802.3: 64 bytes, less the frame check sequence, which is not recorded
TCP = 6  # protocol number, RFC 9293
WINDOW = 8192


def recorded_bytes(shape: Shape, frames: Frames) -> Ints:
    """Length of each frame; short ones are padded, as they arrive from a wire."""
    length = ETHERNET_BYTES + shape.ip_bytes + TCP_BYTES + frames.option_bytes + frames.payload_bytes
    return length.clip(min=SHORTEST_FRAME)


def matrix_of(shape: Shape, connections: Connections, frames: Frames) -> Bytes:
    """Shape (n, width): record header, Ethernet, IP, TCP, payload, zeros. Changing fields are 0."""
    tcp_at = RECORD_BYTES + ETHERNET_BYTES + shape.ip_bytes
    matrix = np.zeros((len(frames.flow), tcp_at + TCP_BYTES + frames.payload.shape[1]), np.uint8)
    length = recorded_bytes(shape, frames)
    for byte in (0, 1):
        matrix[:, 8 + byte] = matrix[:, 12 + byte] = length >> 8 * byte & 0xFF
    _ethernet(matrix[:, RECORD_BYTES:], shape, connections, frames)
    ip = matrix[:, RECORD_BYTES + ETHERNET_BYTES : tcp_at]
    (_ipv6 if shape.ipv6 else _ipv4)(ip, shape, connections, frames)
    _tcp(matrix[:, tcp_at:], connections, frames)
    used = (frames.option_bytes + frames.payload_bytes)[:, None]
    payload = np.where(np.arange(frames.payload.shape[1]) < used, frames.payload, 0)
    matrix[:, tcp_at + TCP_BYTES :] = payload
    return matrix


def _word(matrix: Bytes, at: int, value: Ints) -> None:
    matrix[:, at] = value >> 8
    matrix[:, at + 1] = value & 0xFF


def _from_device(frames: Frames) -> tuple[Ints, Ints]:
    """The connection of each frame, and 1 where the device sent it."""
    return frames.flow >> 1, frames.flow & 1


def _ethernet(matrix: Bytes, shape: Shape, connections: Connections, frames: Frames) -> None:
    """RFC 7042's hardware addresses for documentation, of which there are only 256."""
    connection, side = _from_device(frames)
    ends = connections.master[connection] & 0x0F, 0x10 + connections.device[connection] % 0xF0
    for at, number in ((0, np.where(side, *ends)), (6, np.where(side, *ends[::-1]))):
        matrix[:, at : at + 5] = (0x00, 0x00, 0x5E, 0x00, 0x53)
        matrix[:, at + 5] = number
    matrix[:, 12:14] = (0x86, 0xDD) if shape.ipv6 else (0x08, 0x00)


def _addresses(matrix: Bytes, at: int, shape: Shape, connections: Connections, frames: Frames) -> None:
    """Source and destination address, one after the other from column ``at`` on."""
    connection, side = _from_device(frames)
    master = addresses(shape, connections.master[connection], False)
    device = addresses(shape, connections.device[connection], True)
    width = master.shape[1]
    matrix[:, at : at + width] = np.where(side[:, None], device, master)
    matrix[:, at + width : at + 2 * width] = np.where(side[:, None], master, device)


def _ipv4(matrix: Bytes, shape: Shape, connections: Connections, frames: Frames) -> None:
    """RFC 791, section 3.1; identification and checksum change."""
    matrix[:, 0] = 0x45
    _word(matrix, 2, 20 + TCP_BYTES + frames.option_bytes + frames.payload_bytes)
    matrix[:, 6] = 0x40  # do not fragment
    matrix[:, 8] = 64
    matrix[:, 9] = TCP
    _addresses(matrix, 12, shape, connections, frames)


def _ipv6(matrix: Bytes, shape: Shape, connections: Connections, frames: Frames) -> None:
    """RFC 8200, section 3."""
    matrix[:, 0] = 0x60
    _word(matrix, 4, TCP_BYTES + frames.option_bytes + frames.payload_bytes)
    matrix[:, 6] = TCP
    matrix[:, 7] = 64
    _addresses(matrix, 8, shape, connections, frames)


def _tcp(matrix: Bytes, connections: Connections, frames: Frames) -> None:
    """RFC 9293, section 3.1; numbers and checksum change."""
    connection, side = _from_device(frames)
    port = connections.source_port[connection]
    _word(matrix, 0, np.where(side, MODBUS_PORT, port))
    _word(matrix, 2, np.where(side, port, MODBUS_PORT))
    matrix[:, 12] = (TCP_BYTES + frames.option_bytes) << 2
    matrix[:, 13] = frames.flags
    _word(matrix, 14, np.full(len(frames.flow), WINDOW))
