"""What compare counts by columns is what measure counts by loops."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from mbsniff.compare.series import series_of, service_times
from mbsniff.diagnose import Diagnosis
from mbsniff.measure.quantiles import quantiles
from mbsniff.site import Site, load_site
from tests.builders.strategies import captures
from tests.compare.made import read
from tests.diagnose.test_any_traffic import LIMITS

SAMPLES = Path(__file__).parents[2] / "samples"


def agrees(diagnosis: Diagnosis) -> None:
    """Every figure that both have."""
    services = service_times(diagnosis)
    for device in diagnosis.figures.devices:
        series = series_of(diagnosis, device, services)
        sums = {name: int(amount.sum()) for name, amount in series.amounts.items()}
        assert sums["requests"] == device.requests
        assert sums["reads"] == device.reads
        assert sums["unanswered"] == device.statuses["unanswered"]
        assert sums["late"] == device.statuses["late"]
        assert sums["resent"] == device.resent
        assert sums["exceptions"] == sum(device.exceptions.values())
        assert quantiles(series.lengths["reply"][1].copy(), compiled=False) == device.reply
        assert quantiles(series.lengths["service"][1].copy(), compiled=False) == device.service
        longest = device.silences.longest
        begins, lengths = series.silences_ns
        assert len(begins) == max(device.silences.feeds - 1, 0)
        assert (int(lengths.max()) if len(lengths) else None) == (longest.length_ns if longest else None)
        assert int(series.silence_counts["due"].sum()) == device.silences.certain
        within = series.windows["second"][1]
        assert (within.max() if len(within) else 0) <= device.busiest.reads
        assert (np.diff(series.requests_ns) >= 0).all()


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.pcap*")), ids=lambda path: path.name)
def test_samples(path: Path) -> None:
    """On recordings of real traffic."""
    agrees(read([path], load_site(str(SAMPLES / "oven.toml"))))


@settings(
    deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow], print_blob=False
)  # fmt: skip
@given(captures(60), LIMITS)
def test_any_traffic(capture, limits) -> None:  # type: ignore[no-untyped-def]
    """On whatever went by, whatever feeds the watchdog."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.pcap"
        path.write_bytes(capture.data)
        agrees(read([path], Site(defaults=limits)))


def test_registers_are_words() -> None:
    """Functions 3 and 4 read registers; healthy-shift's PLC reads 16 a second, its station 8 each 4 s."""
    diagnosis = read([SAMPLES / "healthy-shift.pcap"], load_site(str(SAMPLES / "oven.toml")))
    series = series_of(diagnosis, diagnosis.figures.devices[0], service_times(diagnosis))
    assert series.amounts["registers"].sum() / (series.span_ns / 1e9) == pytest.approx(18, abs=0.3)
