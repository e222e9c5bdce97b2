"""Nothing in, plants that speak in the serial line's framing, or seem to, out."""

from __future__ import annotations

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at
from tests.builders.plant import Plant
from tests.builders.serial import crc_16, rtu
from tests.diagnose.built import master
from tests.diagnose.patterns.plants import healthy


def serial_frames() -> Plant:
    """Once a second, answered, without an MBAP header; the first request is also a faultless MBAP message."""
    plant = Plant()
    link = master(plant)
    at(plant, -0.5)
    link.handshake()
    for k in range(60):
        at(plant, k)
        link.ask(rtu(1, bytes.fromhex("0300000002")))
        link.answer(rtu(1, bytes.fromhex("030400070008")), wait=0.1)
    return plant


def serial_unheard() -> Plant:
    """The device expects an MBAP header and answers nothing."""
    plant = Plant()
    link = master(plant)
    for k in range(60):
        at(plant, k)
        link.ask(rtu(1, READ))
        link.segment(1, wait=0.01)
    return plant


def right_crc_by_chance() -> Plant:
    """MBAP requests whose last bytes, the quantity, are the CRC of those before; the device refuses them."""
    plant = Plant()
    link = master(plant)
    for k in range(60):
        at(plant, k)
        body = adu(k + 0x0100, 1, READ)[:-2]
        link.ask(body + crc_16(body))
        link.answer(adu(k + 0x0100, 1, b"\x83\x03"), wait=0.1)
    return plant


def damaged_headers() -> Plant:
    """A healthy plant, and another master that puts 1 for the protocol identifier."""
    plant = healthy()
    link = master(plant, 11, port=50001)
    for k in range(60):
        at(plant, 60 + k)
        link.ask(b"\0\x03\0\x01" + adu(k, 1, READ)[4:])
    return plant


def one_serial_reading() -> Plant:
    """An MBAP connection whose first request reads as a sound serial frame as well."""
    plant = Plant()
    link = master(plant)
    at(plant, 0)
    link.ask(adu(0x0103, 0xC4, b"\x0b"))
    link.answer(adu(0x0103, 0xC4, bytes.fromhex("0BFFFF0108")), wait=0.1)
    for k in range(1, 60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        link.answer(adu(k, 1, DATA), wait=0.1)
    return plant
