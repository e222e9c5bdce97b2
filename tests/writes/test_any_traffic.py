"""Whatever went by: a survey is made, every format holds it, and a pipe only tells less."""

from __future__ import annotations

import csv
import io
import json
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings

from mbsniff.report.writes_json import writes_json
from mbsniff.report.writes_page import writes_page
from mbsniff.report.writes_sheets import writes_csv, writes_markdown
from tests.audit.test_any_traffic import SITE
from tests.builders.strategies import captures
from tests.writes.made import codes, survey_of

NEEDS_A_SECOND_LOOK = {"echo-differs", "not-followed"}


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow], print_blob=False)
@given(captures(60))
def test_any_traffic(capture) -> None:  # type: ignore[no-untyped-def]
    """All formats parse and agree; without a second look only what needs one is missing."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "any.pcap"
        path.write_bytes(capture.data)
        full, piped = survey_of([path], SITE), survey_of([path], SITE, again=False)
    assert [c for c in codes(full) if c not in NEEDS_A_SECOND_LOOK] == codes(piped)
    assert len(json.loads(writes_json(full))["judgements"]) == len(full.judgements)
    rows = list(csv.reader(io.StringIO(writes_csv(full))))
    assert len(rows) == 1 + sum(len(register.trace.rows) for register in full.registers)
    assert writes_page(full, 80) and writes_markdown(full)
