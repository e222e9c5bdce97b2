"""Whatever went by: an audit is made, says the same in every format, and a pipe only leaves more open."""

from __future__ import annotations

import csv
import io
import json
import tempfile
from pathlib import Path
from xml.etree import ElementTree as ET

from hypothesis import HealthCheck, given, settings

from mbsniff.report.audit_json import audit_json
from mbsniff.report.audit_junit import audit_junit
from mbsniff.report.audit_page import audit_page
from mbsniff.report.audit_sheets import audit_csv, audit_markdown
from mbsniff.site import Device, Master, Register, Site, Tripped
from mbsniff.site.limits import Limits
from tests.audit.made import audit_of
from tests.builders.strategies import captures
from tests.builders.traffic import V4, V6

LIMITS = Limits(
    watchdog_ns=10**9, max_block=4, max_reads_per_s=3, masters=("plc",), writers=("plc",), watchdog_register=1,
    status_register=2, status_tripped=Tripped(1, 1), tolerable_outage_ns=10**9,
)  # fmt: skip
REGISTERS = (
    Register("a", first=0, count=2, type="float32", minimum=-1, maximum=1, nonvolatile=True, feedback="b"),
    Register("b", first=2, count=6, type="int32", word_order="low-first", scale=0.1, access="ro"),
    Register("c", first=12, count=3, feedback="d", maximum=9, writers=("plc",)),
    Register("d", first=20, count=3, access="none"),
    Register("e", "coil", first=0, count=20, type="bool"),
)
DEVICES = tuple(
    Device("zone", address, units=units, limits=LIMITS, registers=REGISTERS)
    for address in (V4[2], V4[3], V6[2], V6[3])
    for units in ((1,), (0, 2, 3))
)
SITE = Site(
    masters=(Master("plc", (V4[0], V6[0]), timeout_ns=10**7), Master("other", (V4[1],), may_write=False)),
    devices=DEVICES,
)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow], print_blob=False)
@given(captures(60))
def test_any_traffic(capture) -> None:  # type: ignore[no-untyped-def]
    """All formats parse and agree; without a second look nothing turns met that was not, nor is anything lost."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.pcap"
        path.write_bytes(capture.data)
        made, piped = (audit_of([path], SITE, again=again) for again in (True, False))
    document = json.loads(audit_json(made))
    assert len(document["results"]) == len(list(csv.DictReader(io.StringIO(audit_csv(made)))))
    assert len(ET.fromstring(audit_junit(made)).findall(".//testcase")) == len(made.results)
    assert all(len(line) <= 120 for line in audit_page(made, 120).splitlines())
    assert audit_markdown(made).startswith("# Audit")
    told = {(r.code, r.device, r.name): r.verdict for r in made.results}
    assert {(r.code, r.device, r.name) for r in piped.results} == set(told)
    for result in piped.results:
        assert result.verdict in ("cannot be told", told[result.code, result.device, result.name])
    for result in made.results:
        assert (result.outcome.why is None) == (result.verdict == "met")
