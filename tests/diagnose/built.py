"""Plants in, the findings about them out."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits, Master
from tests.builders.plant import BEGINS_NS, Connection, Plant
from tests.builders.readings import read
from tests.builders.recorder import write, write_as_it_came

SECOND = 10**9
ZONE = Limits(watchdog_ns=3 * SECOND, max_block=16, max_reads_per_s=4)


def every(period_s: float, from_s: float, until_s: float) -> list[float]:
    """Times a period apart, the end left out."""
    return [from_s + k * period_s for k in range(round((until_s - from_s) / period_s))]


def diagnosis(
    plant: Plant,
    limits: Limits = ZONE,
    *,
    masters: Sequence[Master] = (),
    until_s: float = 60,
    background_s: float | None = 0.5,
    devices: Sequence[str] = ("192.0.2.50",),
    as_they_came: bool = False,
) -> dict[str, Any]:
    """The JSON for devices with these limits; frames of another protocol show that the recorder was at work.

    Frames are recorded in the order of their times, or as they came, whatever their times.
    """
    if background_s is not None:
        other = Plant()
        link = other.connection(("192.0.2.98", 40000), ("192.0.2.99", 80))
        for seconds in every(background_s, 0, until_s + background_s):
            other.now_ns = BEGINS_NS + round(seconds * SECOND)
            link.segment(0)
        plant = Plant(plant.now_ns, [*plant.wire, *other.wire])
    declared = tuple(Device(f"zone {a[-1]}", a, units=(1,), limits=limits) for a in devices)
    with tempfile.TemporaryDirectory() as folder:
        made = (write_as_it_came if as_they_came else write)(Path(folder) / "made.pcap", plant)
        return read(made, Site(devices=declared, masters=tuple(masters)), again=True).json


def codes(made: dict[str, Any], level: str | None = None) -> set[str]:
    """The codes found, at one level or at any."""
    return {f["code"] for f in made["findings"] if level in (None, f["level"])}


def finding(made: dict[str, Any], code: str) -> dict[str, Any]:
    """The first finding of a code."""
    return next(f for f in made["findings"] if f["code"] == code)


def master(plant: Plant, last: int = 10, device: int = 50, port: int = 49152) -> Connection:
    """A master's connection to a device, by the last parts of their addresses."""
    return plant.connection((f"192.0.2.{last}", port), (f"192.0.2.{device}", 502))
