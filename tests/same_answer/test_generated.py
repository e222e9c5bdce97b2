"""Generated conversations of all kinds: cut into files, packed, doubled or tagged, they give the same answer."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests.builders.readings import read
from tests.builders.strategies import Capture, captures
from tests.same_answer.frames import PACK, answer_of

QUICK = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


def written(folder: str, name: str, content: bytes) -> Path:
    path = Path(folder) / name
    path.write_bytes(content)
    return path


@QUICK
@given(captures(), st.integers(1, 12), st.sampled_from([None, *PACK]), st.randoms(use_true_random=False))
def test_cut_and_packed(capture: Capture, pieces: int, way: str | None, drawn: random.Random) -> None:
    """Cut anywhere, packed or not: as the whole file."""
    records = capture.records
    cuts = sorted(drawn.randint(0, len(records)) for _ in range(pieces - 1))
    pack = PACK[way] if way else bytes
    with tempfile.TemporaryDirectory() as folder:
        whole = answer_of(read(written(folder, "whole", capture.file_of(records))).json)
        paths = [
            written(folder, f"{number:03}", pack(capture.file_of(records[start:stop])))
            for number, (start, stop) in enumerate(zip([0, *cuts], [*cuts, len(records)], strict=True))
        ]
        assert answer_of(read(paths).json) == whole


@QUICK
@given(captures(), st.integers(0, 200_000))
def test_copied_into_a_second_file(capture: Capture, from_place: int) -> None:
    """A second recorder of the same port, which began later: what both recorded counts once."""
    records = capture.records
    assume(records and all(step.act != "open same" for step in capture.steps))
    from_place %= len(records)
    with tempfile.TemporaryDirectory() as folder:
        whole = written(folder, "whole", capture.file_of(records))
        copy = written(folder, "copy", capture.file_of(records[from_place:]))
        assert answer_of(read([whole, copy]).json) == answer_of(read(whole).json)
