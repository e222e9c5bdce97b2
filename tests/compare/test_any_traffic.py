"""Whatever went by in two recordings: they are compared, by the rules, and every format can show it."""

from __future__ import annotations

import csv
import io
import json

from hypothesis import HealthCheck, given, settings

from mbsniff.compare import compare
from mbsniff.compare.result import STANDS_OUT
from mbsniff.report.compare_json import comparison_json
from mbsniff.report.compare_sheets import comparison_csv, comparison_markdown
from mbsniff.report.compare_table import comparison_page
from tests.builders.strategies import captures
from tests.diagnose.test_any_traffic import LIMITS, made


@settings(
    deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow], print_blob=False
)  # fmt: skip
@given(captures(40), captures(40), LIMITS)
def test_any_traffic(before, after, limits) -> None:  # type: ignore[no-untyped-def]
    """Every device is told once; what stands out has an interval without zero, or follows one that has."""
    one, other = made(before.data, limits), made(after.data, limits)
    comparison = compare(one, other)
    assert len(comparison.devices) + len(comparison.only_before) == len(one.verdicts)
    assert len(comparison.devices) + len(comparison.only_after) == len(other.verdicts)
    assert sum(f.before for f in comparison.findings) == sum(f.device is not None for f in one.findings)
    assert sum(f.after for f in comparison.findings) == sum(f.device is not None for f in other.findings)
    for device in comparison.devices:
        for row in device.rows:
            assert row.matters or not row.stands_out
            assert row.why or row.outcome != "cannot tell"
            if row.interval is not None:
                low, high = row.interval
                assert low <= high
                none = 1 if row.figure.kind == "events" else 0
                assert row.outcome not in STANDS_OUT or not low <= none <= high
    assert json.loads(comparison_json(comparison))["schema"] == 1
    lines = list(csv.DictReader(io.StringIO(comparison_csv(comparison))))
    assert len(lines) == sum(len(device.rows) for device in comparison.devices)
    for width in (80, 120):
        page = comparison_page(comparison, width, every=True)
        assert max(map(len, page.splitlines())) <= width
    assert comparison_markdown(comparison, every=True).startswith("# Comparison\n")
