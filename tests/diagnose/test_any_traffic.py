"""Whatever went by: the diagnosis is made, keeps to its own rules, and every format can show it."""

from __future__ import annotations

import csv
import io
import json
import tempfile
from itertools import groupby
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mbsniff.capture import open_recording
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.diagnose.catalogue import BY_CODE, SEVERITY
from mbsniff.diagnose.finding import LEVELS, STATES
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.report.as_json import diagnosis_json
from mbsniff.report.sheets import diagnosis_csv, diagnosis_markdown
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Site
from mbsniff.site.limits import FedBy, Limits
from tests.builders.strategies import captures

LIMITS = st.builds(
    Limits,
    watchdog_ns=st.sampled_from([None, 0, 10**7, 10**9, 3 * 10**9, 10**11]),
    tolerance=st.sampled_from([0.0, 0.1]),
    fed_by=st.sampled_from([FedBy(), FedBy("reply"), FedBy("read"), FedBy("write", change=True)]),
    exceptions_feed=st.booleans(),
    on_loss=st.sampled_from([None, "hold", "shut-off"]),
    max_block=st.sampled_from([None, 1, 8]),
    max_reads_per_s=st.sampled_from([None, 0.5, 4.0]),
)


def made(content: bytes, limits: Limits) -> Diagnosis:
    site = Site(defaults=limits)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.pcap"
        path.write_bytes(content)
        with open_recording([str(path)]) as recording:
            exchange, facts = read_exchange(recording, compiled=False)
    return diagnose(exchange, facts, measure(exchange, facts, site, compiled=False), site)


@settings(
    deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow], print_blob=False
)  # fmt: skip
@given(captures(60), LIMITS)
def test_any_traffic(capture, limits) -> None:  # type: ignore[no-untyped-def]
    """Order, levels, times, evidence and states agree with each other, and all formats parse."""
    diagnosis = made(capture.data, limits)
    ranks = [(LEVELS.index(f.level), SEVERITY[f.code]) for f in diagnosis.findings]
    assert ranks == sorted(ranks)
    best = {v.incident: STATES.index(v.state) for v in reversed(diagnosis.verdicts) if v.incident}
    states = [best.get(v.incident, STATES.index(v.state)) for v in diagnosis.verdicts]
    assert states == sorted(states)
    numbers = [number for number, _ in groupby(v.incident for v in diagnosis.verdicts) if number]
    assert len(numbers) == len(set(numbers)), "devices of one incident stand together"
    grouped = [key for incident in diagnosis.incidents for key in incident.devices]
    assert {f.incident for f in diagnosis.findings if f.incident} == {i.number for i in diagnosis.incidents}
    assert set(grouped) <= {v.figures.key for v in diagnosis.verdicts}
    regular = {v.figures.key: v.figures.regular for v in diagnosis.verdicts}
    for found in diagnosis.findings:
        assert found.code in BY_CODE and found.text and found.advice.endswith(".")
        assert found.from_ns is None or found.until_ns is None or found.from_ns <= found.until_ns
        assert all(1 <= e.frame <= diagnosis.facts.frames for e in found.evidence)
        assert found.level == "remark" or all(regular[key] for key in found.devices or (found.device or "",))
        assert (found.device is None) == (found.code == "incident") == (len(found.devices) > 1)
        if found.code == "watchdog-due":
            assert limits.watchdog_ns
            assert (found.level == "fault") == (found.certainty == "certain")
        if found.code in ("reads-too-dense", "masters-sum-over"):
            assert limits.max_reads_per_s
        if found.code == "block-too-long":
            assert limits.max_block
    for verdict in diagnosis.verdicts:
        own = [f for f in diagnosis.findings if f.device == verdict.figures.key and f.level != "remark"]
        due = any(f.code == "watchdog-due" and f.certainty == "certain" for f in own)
        assert (verdict.state == "due") == due
        assert verdict.state != "fine" or (not own and limits.watchdog_ns is not None)
    assert json.loads(diagnosis_json(diagnosis))["schema"] == 1
    assert len(list(csv.reader(io.StringIO(diagnosis_csv(diagnosis))))) == len(diagnosis.verdicts) + 1
    assert diagnosis_markdown(diagnosis).startswith("# Diagnosis\n")
    assert max(map(len, diagnosis_page(diagnosis, 120).splitlines())) <= 120
