"""A Plant and a Site in, the Audit of its recording out; a small conversation with a device to start from."""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from mbsniff.audit import Audit, Result, audit
from mbsniff.capture import frames_again, open_recording
from mbsniff.diagnose import diagnose
from mbsniff.draft import hardware_addresses
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.site import Device, Limits, Master, Register, Site
from tests.builders.adus import adu
from tests.builders.measured import at
from tests.builders.plant import Connection, Plant
from tests.builders.recorder import write

SECOND = 10**9
PLC, STATION, STRANGER = "192.0.2.10", "192.0.2.20", "192.0.2.30"
MASTERS = (Master("oven PLC", (PLC,), timeout_ns=SECOND), Master("station", (STATION,), timeout_ns=SECOND))


def site(
    *registers: Register, masters: Sequence[Master] = MASTERS, hardware: str | None = None, **limits: object
) -> Site:
    """A site with one zone, 192.0.2.50 unit 1."""
    own = Limits(**limits)  # type: ignore[arg-type]
    device = Device(
        "zone", "192.0.2.50", units=(1,), limits=own, registers=registers, hardware_address=hardware
    )
    return Site(masters=tuple(masters), devices=(device,))


def master(plant: Plant, address: str = PLC, port: int = 49152) -> Connection:
    """A master's connection to the zone."""
    return plant.connection((address, port), ("192.0.2.50", 502))


def exchange(
    connection: Connection, seconds: float, request: bytes, reply: bytes | None, number: int = 0
) -> None:
    """A request at a time, and its reply 10 ms later unless there is none."""
    at(connection.plant, seconds)
    identifier = number or round(seconds * 100) + 1
    connection.ask(adu(identifier, 1, request))
    if reply is not None:
        connection.answer(adu(identifier, 1, reply))


def set_register(connection: Connection, seconds: float, address: int, value: int) -> None:
    """Function 6, echoed (MODBUS Application Protocol Specification V1.1b3, 6.6)."""
    pdu = struct.pack(">BHH", 6, address, value)
    exchange(connection, seconds, pdu, pdu)


def read_registers(connection: Connection, seconds: float, first: int, *values: int) -> None:
    """Function 3 (6.3)."""
    request = struct.pack(">BHH", 3, first, len(values))
    exchange(connection, seconds, request, struct.pack(f">BB{len(values)}H", 3, 2 * len(values), *values))


def audited(
    plant: Plant, declared: Site, *, again: bool = True, captures: Sequence[Path] | None = None
) -> Audit:
    """The audit; ``again``: whether the recording can be looked at a second time."""
    with tempfile.TemporaryDirectory() as folder:
        made = captures or [write(Path(folder) / "made.pcap", plant)]
        return audit_of(made, declared, again=again)


def audit_of(captures: Sequence[Path], declared: Site, *, again: bool = True) -> Audit:
    """The audit of captures."""
    names = [str(path) for path in captures]
    with open_recording(names) as recording:
        found, facts = read_exchange(recording, compiled=False)
    diagnosis = diagnose(found, facts, measure(found, facts, declared, compiled=False), declared)
    if not again:
        return audit(diagnosis, None, None)
    with open_recording(names) as recording:
        hardware = hardware_addresses(recording, compiled=False)
    return audit(diagnosis, partial(frames_again, names), hardware)


def result(made: Audit, code: str) -> Result:
    """The zone's row for a requirement."""
    return next(r for r in made.results if r.code == code and (r.name == "zone" or "192.0.2.50" in r.device))


def verdict(made: Audit, code: str) -> str:
    """What came of a requirement at the zone."""
    return result(made, code).verdict
