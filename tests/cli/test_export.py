"""`mbsniff export` as a user runs it: formats, files, pipes, refusals."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

from tests.cli.run import ROOT, mbsniff

SAMPLE = "samples/link-down.pcap"


def test_to_standard_output_and_to_a_file(tmp_path: Path) -> None:
    """Both get the same text; the file may be given a name of its own."""
    done = mbsniff("export", SAMPLE, "--site", "samples/oven.toml")
    rows = list(csv.DictReader(io.StringIO(done.out)))
    assert (done.status, done.err) == (0, "") and len(rows) > 500
    assert {row["master"] for row in rows} == {"oven PLC", "supervisory station"}
    target = tmp_path / "night.csv"
    to_file = mbsniff("export", SAMPLE, "--site", "samples/oven.toml", "--output", str(target))
    assert (to_file.status, to_file.out) == (0, "") and target.read_text() == done.out


def test_events_from_a_pipe() -> None:
    """Events as JSON lines, read from standard input."""
    done = mbsniff("export", "-", "--events", "--format", "jsonl", stdin=(ROOT / SAMPLE).read_bytes())
    rows = [json.loads(line) for line in done.out.splitlines()]
    assert done.status == 0
    assert {"connection-asked", "lookup-asked", "data-sent-again"} <= {row["event"] for row in rows}
    assert {row["file"] for row in rows} <= {"-", None}


def test_refusals(tmp_path: Path) -> None:
    """A capture is never written over; a folder that is not there is one line on standard error."""
    capture = tmp_path / "night.pcap"
    capture.write_bytes((ROOT / SAMPLE).read_bytes())
    before = capture.read_bytes()
    over = mbsniff("export", str(capture), "--output", str(capture))
    assert over.status == 2 and "is a capture that is read" in over.err and capture.read_bytes() == before
    nowhere = mbsniff("export", str(capture), "--output", str(tmp_path / "none" / "night.csv"))
    assert nowhere.status == 2 and len(nowhere.err.splitlines()) == 1 and "cannot be written" in nowhere.err
