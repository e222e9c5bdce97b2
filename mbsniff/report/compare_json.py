"""A Comparison in, its JSON out (schema 1; DEVELOPERS.md tells the names)."""

from __future__ import annotations

import math
from typing import Any

from mbsniff.compare import Comparison, DeviceChange, FindingChange, Row
from mbsniff.compare.catalogue import Unit
from mbsniff.diagnose import Diagnosis
from mbsniff.report.as_json import json_text, moment_or_none
from mbsniff.report.rounding import ratio, seconds

SCHEMA = 1
NS_PER_MS = 10**6
IN_SECONDS = ("longest_silence_typical", "longest_silence")


def comparison_json(comparison: Comparison) -> str:
    """The whole comparison as one JSON text; absent values are null, open ends of intervals too."""
    return json_text(comparison_dict(comparison))


def comparison_dict(comparison: Comparison) -> dict[str, Any]:
    """The same as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "before": _recording(comparison.before),
        "after": _recording(comparison.after),
        "confidence": round(1 - comparison.alpha, 9),
        "doubts": comparison.doubts,
        "only_before": [verdict.figures.key for verdict in comparison.only_before],
        "only_after": [verdict.figures.key for verdict in comparison.only_after],
        "devices": [_device(device) for device in comparison.devices],
        "findings": [_finding(finding) for finding in comparison.findings],
        "fault_got_worse": comparison.fault_got_worse,
    }


def _recording(diagnosis: Diagnosis) -> dict[str, Any]:
    facts = diagnosis.facts
    return {
        "files": [file.file for file in facts.files],
        "starts": moment_or_none(facts.starts_ns),
        "ends": moment_or_none(facts.ends_ns),
        "span_s": seconds(facts.span_ns) if facts.frames else None,
    }


def _device(device: DeviceChange) -> dict[str, Any]:
    return {
        "device": device.after.figures.key,
        "device_before": device.before.figures.key,
        "name": device.name,
        "state_before": device.before.state,
        "state_after": device.after.state,
        "block_s": seconds(device.block_ns),
        "blocks_before": device.blocks[0],
        "blocks_after": device.blocks[1],
        "figures": [figure_dict(row) for row in device.rows],
    }


def unit_of(row: Row) -> str:
    """The unit that the outputs for programs give a figure in."""
    units: dict[Unit, str] = {"per s": "1/s", "per h": "1/h", "ns": "ms"}
    if row.figure.key in IN_SECONDS:
        return "s"
    return units.get(row.figure.unit, row.figure.unit)


def _scaled(row: Row, amount: float | None) -> float | None:
    """An amount in that unit, with six decimals (seconds: nine); None for what is open."""
    if amount is None or math.isinf(amount):
        return None
    if row.figure.key in IN_SECONDS:
        return seconds(round(amount))
    return ratio(amount / NS_PER_MS if row.figure.unit == "ns" else amount)


def figure_dict(row: Row) -> dict[str, Any]:
    """One figure of one device; ``interval`` is of the change, ``ratio_interval`` of after ÷ before."""
    is_ratio = row.figure.kind == "events"
    ends = None
    if row.interval is not None:
        ends = [None if math.isinf(e) else ratio(e) if is_ratio else _scaled(row, e) for e in row.interval]
    return {
        "figure": row.figure.key,
        "unit": unit_of(row),
        "before": _scaled(row, row.before),
        "after": _scaled(row, row.after),
        "change": _scaled(row, row.change),
        "block_median_before": _scaled(row, row.before_median),
        "block_median_after": _scaled(row, row.after_median),
        "interval": None if is_ratio else ends,
        "ratio_interval": ends if is_ratio else None,
        "outcome": row.outcome,
        "why": row.why or None,
    }


def _finding(finding: FindingChange) -> dict[str, Any]:
    return {
        "change": finding.change,
        "code": finding.code,
        "cause": finding.cause,
        "level": finding.level,
        "device": finding.device,
        "name": finding.name,
        "before": finding.before,
        "after": finding.after,
        "before_per_h": ratio(finding.before_per_h),
        "after_per_h": ratio(finding.after_per_h),
        "clear": finding.clear,
        "why": finding.why or None,
        "text_before": finding.texts[0],
        "text_after": finding.texts[1],
    }
