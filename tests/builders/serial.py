"""A unit and a PDU in, the frame of the serial line out, for whichever network carries it."""

from __future__ import annotations

import ipaddress
import struct

from tests.builders.packets import checksum
from tests.builders.plant import Plant, Sighting

Ends = tuple[tuple[str, int], tuple[str, int]]


def crc_16(data: bytes) -> bytes:
    """CRC-16, low byte first, bit by bit (MODBUS over Serial Line V1.02, 6.2.2)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


def rtu(unit: int, pdu: bytes) -> bytes:
    """Unit, PDU, CRC-16 (the same, 2.5.1)."""
    data = bytes([unit]) + pdu
    return data + crc_16(data)


def udp_packet(source: tuple[str, int], target: tuple[str, int], payload: bytes, ip_id: int = 0) -> bytes:
    """An IP packet with a datagram (RFC 768)."""
    ends = b"".join(ipaddress.ip_address(host).packed for host, _ in (source, target))
    size = 8 + len(payload)
    head = struct.pack(">HHH", source[1], target[1], size)
    pseudo = ends + struct.pack(">HH" if len(ends) == 8 else ">II", 17, size)
    datagram = head + struct.pack(">H", checksum(pseudo + head + payload) or 0xFFFF) + payload
    if len(ends) == 32:
        return struct.pack(">IHBB", 0x60000000, size, 17, 64) + ends + datagram
    ip = struct.pack(">BBHHHBBH", 0x45, 0, 20 + size, ip_id & 0xFFFF, 0, 64, 17, 0) + ends
    return ip[:10] + struct.pack(">H", checksum(ip)) + ip[12:] + datagram


def datagram(plant: Plant, ends: Ends, payload: bytes, wait: float = 0, ip_id: int | None = None) -> Sighting:
    """Send one from the first end to the second."""
    plant.wait(wait)
    number = len(plant.wire) + 1 if ip_id is None else ip_id
    plant.wire.append(Sighting(plant.now_ns, udp_packet(*ends, payload, number)))
    return plant.wire[-1]
