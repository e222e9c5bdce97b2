"""Captures with damaged frames: whatever the bytes, both ways of reading agree, and nothing is raised."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.builders.readings import columns, read
from tests.builders.recorder import Record
from tests.builders.strategies import Capture, captures


@st.composite
def damaged(draw: st.DrawFn) -> tuple[Capture, list[Record]]:
    """Records with bytes overwritten, cut off, doubled, padded or dated earlier, at any place."""
    capture = draw(captures(30))
    records = capture.records
    for _ in range(draw(st.integers(1, 8))):
        place = draw(st.integers(0, len(records) - 1)) if records else 0
        if not records:
            break
        time_ns, data, original = records[place]
        at = draw(st.integers(0, len(data)))
        what = draw(st.sampled_from(["byte", "byte", "bytes", "cut", "short", "long", "twice", "earlier"]))
        if what == "byte":
            data = data[:at] + draw(st.binary(min_size=1, max_size=1)) + data[at + 1 :]
        elif what == "bytes":
            data = data[:at] + draw(st.binary(max_size=4)) + data[at + 4 :]
        elif what == "cut":
            data = data[:at]
        elif what == "short":
            original = max(original - at, len(data))
        elif what == "long":
            data += bytes(at)
        elif what == "twice":
            records.insert(place, records[place])
        elif what == "earlier":
            time_ns = max(time_ns - 10 ** draw(st.integers(1, 11)), 0)
        records[place] = (time_ns, data, max(original, len(data)))
    return capture, records


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where damaged captures are written."""
    return tmp_path_factory.mktemp("damaged") / "capture.pcap"


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=False, max_examples=150)
@given(damaged())
def test_damaged_frames(place: Path, made: tuple[Capture, list[Record]]) -> None:
    """Damaged frames give the same rows and figures compiled and uncompiled, and no error."""
    capture, records = made
    place.write_bytes(capture.file_of(records))
    plain, fast = (read(place, timeout_ns=3_000_000_000, compiled=compiled) for compiled in (False, True))
    assert columns(fast.exchange) == columns(plain.exchange)
    assert fast.facts.counters == plain.facts.counters
    assert fast.json == plain.json
