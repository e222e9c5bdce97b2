"""mbsniff against the oracle, a slow second reading of the same captures: every figure, exactly."""

import os
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests.builders.readings import columns, differences, read
from tests.builders.strategies import Capture, captures
from tests.oracle import Limit, read_captures

OPEN_DATA = os.environ.get("MBSNIFF_OPEN_DATA")
FOLDER = Path(__file__).parents[1] / "samples"
SAMPLES = sorted(path for pattern in ("*.pcap", "*.pcapng", "*.gz") for path in FOLDER.glob(pattern))
TIMEOUTS = [None, 0, 200_000_000, 3_000_000_000]

generated = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=False)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where generated captures are written."""
    return tmp_path_factory.mktemp("generated") / "capture.pcap"


def test_there_are_samples() -> None:
    """The sample captures are part of the project."""
    assert len(SAMPLES) >= 5


@pytest.mark.parametrize("timeout_ns", TIMEOUTS)
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_samples(path: Path, timeout_ns: int | None) -> None:
    """Every figure of the samples is the oracle's, with and without a watchdog's timeout."""
    oracle = read_captures([path], default=Limit(timeout_ns))
    assert differences(read(path, timeout_ns=timeout_ns), oracle) == []


@pytest.mark.skipif(not OPEN_DATA, reason="MBSNIFF_OPEN_DATA is not set")
@pytest.mark.parametrize("timeout_ns", TIMEOUTS)
def test_open_capture(timeout_ns: int | None) -> None:
    """Likewise of traffic that others recorded.

    Source: "Providing SCADA network data sets for intrusion detection research", USENIX CSET 2016.
    """
    path = Path(OPEN_DATA or "") / "cset2016-six-units.pcap"
    oracle = read_captures([path], default=Limit(timeout_ns))
    assert differences(read(path, timeout_ns=timeout_ns), oracle) == []


@settings(generated, max_examples=400)
@given(capture=captures(), timeout_ns=st.sampled_from(TIMEOUTS))
def test_generated(place: Path, capture: Capture, timeout_ns: int | None) -> None:
    """Likewise of conversations of every kind, below every link, however the recorder mistreats them."""
    place.write_bytes(capture.data)
    oracle = read_captures([place], default=Limit(timeout_ns))
    assert differences(read(place, timeout_ns=timeout_ns), oracle) == []


@settings(generated, max_examples=100)
@given(capture=captures(80))
def test_compiled_and_uncompiled_agree(place: Path, capture: Capture) -> None:
    """Compiled loops give the same rows, columns and figures as the plain Python that they are made of."""
    place.write_bytes(capture.data)
    plain, fast = (read(place, timeout_ns=3_000_000_000, compiled=compiled) for compiled in (False, True))
    assert columns(fast.exchange) == columns(plain.exchange)
    assert fast.facts.counters == plain.facts.counters
    assert fast.figures.devices == plain.figures.devices
    assert fast.json == plain.json


@settings(generated, max_examples=100)
@given(
    capture=captures(),
    block_bytes=st.sampled_from([64, 100, 1000]),
    batch_rows=st.sampled_from([1, 2, 7]),
)
def test_borders_of_blocks_and_batches(
    place: Path, capture: Capture, block_bytes: int, batch_rows: int
) -> None:
    """In which pieces a capture is read never changes a result."""
    place.write_bytes(capture.data)
    whole = read(place, timeout_ns=3_000_000_000)
    pieces = read(place, timeout_ns=3_000_000_000, block_bytes=block_bytes, batch_rows=batch_rows)
    assert pieces.json == whole.json
    assert columns(pieces.exchange) == columns(whole.exchange)


@settings(generated, max_examples=60)
@given(capture=captures(), cuts=st.lists(st.floats(0, 1), min_size=1, max_size=3))
def test_cut_into_files(
    tmp_path_factory: pytest.TempPathFactory, capture: Capture, cuts: list[float]
) -> None:
    """A capture cut into several files is read as the one it was cut from.

    Not where a host begins again with the very numbers of a moment before (RFC 9293, 3.4.1 keeps hosts
    from that): then the same packets in two files are taken for two recorders'.
    """
    assume(all(step.act != "open same" for step in capture.steps))
    folder = tmp_path_factory.mktemp("cut")
    records = capture.records
    whole = folder / "whole.pcap"
    whole.write_bytes(capture.file_of(records))
    bounds = [0, *sorted(int(cut * len(records)) for cut in cuts), len(records)]
    files = []
    for number, (begin, end) in enumerate(pairwise(bounds)):
        files.append(folder / f"{number}.pcap")
        files[-1].write_bytes(capture.file_of(records[begin:end]))
    one, several = read(whole, timeout_ns=3_000_000_000), read(files, timeout_ns=3_000_000_000)
    assert several.json["devices"] == one.json["devices"]
    assert several.json["endpoints"] == one.json["endpoints"]
    assert columns(several.exchange) == columns(one.exchange)
