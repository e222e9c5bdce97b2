"""A Plant and a Site in, the figures of its devices out."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

from mbsniff.measure import DeviceFigures, Figures
from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits
from tests.builders.adus import adu
from tests.builders.plant import BEGINS_NS, Connection, Plant, Sighting
from tests.builders.readings import read
from tests.builders.recorder import write

READ, DATA = bytes.fromhex("0300000001"), bytes.fromhex("03020007")
SECOND = 10**9


def figures_of(plant: Plant, site: Site | None = None, *, until_s: float | None = None) -> Figures:
    """Everything measured; a frame of another protocol ends the recording at ``until_s``."""
    if until_s is not None:
        other = plant.connection(device=("192.0.2.99", 80))
        ended = Plant(BEGINS_NS + round(until_s * SECOND), [])
        other.plant = ended
        other.segment(0)
        plant = Plant(plant.now_ns, [*plant.wire, *ended.wire])
    with tempfile.TemporaryDirectory() as folder:
        return read(write(Path(folder) / "made.pcap", plant), site).figures


def device_of(
    plant: Plant, limits: Limits | None = None, *, until_s: float | None = None, unit: int = 1
) -> DeviceFigures:
    """The figures of 192.0.2.50:502, with its limits."""
    device = Device("zone", "192.0.2.50", units=(unit,), limits=limits or Limits())
    found = figures_of(plant, Site(devices=(device,)), until_s=until_s).devices
    return next(each for each in found if each.address == "192.0.2.50" and each.units == (unit,))


def at(plant: Plant, seconds: float) -> Plant:
    """The plant at this time after its beginning."""
    plant.now_ns = BEGINS_NS + round(seconds * SECOND)
    return plant


def poll(
    connection: Connection,
    times_s: Sequence[float],
    *,
    reply_s: float | None = 0.1,
    request: bytes = READ,
    reply: bytes = DATA,
    unit: int = 1,
    first: int = 1,
) -> list[Sighting]:
    """Requests at these times, each replied to (None: not at all); the request frames."""
    asked = []
    for number, seconds in enumerate(times_s, first):
        at(connection.plant, seconds)
        asked.append(connection.ask(adu(number, unit, request)))
        if reply_s is not None:
            connection.answer(adu(number, unit, reply), wait=reply_s)
    return asked
