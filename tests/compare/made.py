"""Plants, or drawn columns, in; diagnoses and recorded devices to compare out."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import open_recording
from mbsniff.compare.blocks import Blocks
from mbsniff.compare.drafts import Recorded
from mbsniff.compare.series import Series
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.exchange import read_exchange
from mbsniff.measure import DeviceFigures, measure
from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits
from tests.builders.measured import poll
from tests.builders.plant import BEGINS_NS, Plant
from tests.builders.recorder import write
from tests.diagnose.built import ZONE, every, master

S = 10**9


def read(paths: Sequence[Path | str], site: Site) -> Diagnosis:
    """The diagnosis of captures."""
    with open_recording([str(path) for path in paths]) as recording:
        exchange, facts = read_exchange(recording, compiled=False)
    return diagnose(exchange, facts, measure(exchange, facts, site, compiled=False), site)


def diagnosed(
    plant: Plant, *, limits: Limits = ZONE, until_s: float = 60, device: str = "192.0.2.50"
) -> Diagnosis:
    """The diagnosis of a plant whose device is "zone"; frames of another protocol keep the recorder awake."""
    other = Plant()
    link = other.connection(("192.0.2.98", 40000), ("192.0.2.99", 80))
    for seconds in every(0.5, 0, until_s + 0.5):
        other.now_ns = BEGINS_NS + round(seconds * S)
        link.segment(0)
    site = Site(devices=(Device("zone", device, units=(1,), limits=limits),))
    with tempfile.TemporaryDirectory() as folder:
        made = write(Path(folder) / "made.pcap", Plant(plant.now_ns, [*plant.wire, *other.wire]))
        return read([made], site)


def polled(period_s: float = 0.5, until_s: float = 60, *, reply_s: float = 0.01, device: int = 50) -> Plant:
    """A device that is read once a period."""
    plant = Plant()
    poll(master(plant, device=device), every(period_s, 0, until_s), reply_s=reply_s)
    return plant


@cache
def one_device() -> DeviceFigures:
    """Figures of a device with a watchdog of 3 s, for drawn columns to go with."""
    return diagnosed(polled(until_s=10), until_s=10).figures.devices[0]


def correlated(rng: np.random.Generator, count: int, phi: float) -> NDArray[np.float64]:
    """An autoregressive series of order 1 with unit variance."""
    from scipy.signal import lfilter

    noise = rng.standard_normal(count + 300) * np.sqrt(1 - phi**2)
    return np.asarray(lfilter([1], [1, -phi], noise)[300:])


def drawn(
    rng: np.random.Generator, requests: int, *, phi: float = 0.0, slower: float = 1.0, lost: float = 0.0
) -> Series:
    """A device that is read once a second, and whose reply times go up and down slowly."""
    times = np.arange(requests) * S + rng.integers(0, S // 20, requests)
    replies = (6e6 * slower * np.exp(0.5 * correlated(rng, requests, phi))).astype(np.int64)
    ones = np.ones(requests, np.int64)
    missing = (rng.random(requests) < lost).astype(np.int64)
    nothing = np.zeros(requests, np.int64)
    return Series(
        span_ns=requests * S,
        requests_ns=times,
        amounts={
            "requests": ones, "reads": ones, "registers": 16 * ones, "unanswered": missing, "late": nothing,
            "resent": nothing, "exceptions": nothing,
        },
        silences_ns=(times[:-1], np.diff(times)),
        silence_counts={name: np.zeros(requests - 1, np.bool_) for name in ("near", "due")},
        open_end_due=False,
        windows={
            "second": (times, np.searchsorted(times, times + S) - np.arange(requests)),
            "ten_seconds": (times[:-10], (np.searchsorted(times, times + 10 * S) - np.arange(requests))[:-10]),
        },
        lengths={"reply": (times, replies), "service": (times, replies)},
    )  # fmt: skip


def recorded(series: Series, block_ns: int) -> Recorded:
    """The drawn columns as a device's recording."""
    return Recorded(one_device(), Blocks(series, block_ns))
