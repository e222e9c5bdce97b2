"""A Plan in, its JSON out (schema 1 of `plan`; DEVELOPERS.md tells the names)."""

from __future__ import annotations

import json
from typing import Any

from mbsniff.plan import DevicePlan, Numbers, Obstacle, Plan, PlannedPoll
from mbsniff.report.rounding import ratio, seconds

SCHEMA = 1


def plan_json(plan: Plan) -> str:
    """The whole plan as one JSON text, a line a poll or device; absent values are null."""
    parts = []
    for name, value in plan_dict(plan).items():
        if isinstance(value, list) and value:
            text = "[\n" + ",\n".join(json.dumps(entry, allow_nan=False) for entry in value) + "]"
        else:
            text = json.dumps(value, allow_nan=False)
        parts.append(f'"{name}": {text}')
    return "{" + ",\n".join(parts) + "}\n"


def plan_dict(plan: Plan) -> dict[str, Any]:
    """The same as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "as_wished": plan.as_wished,
        "mean_only": plan.mean_only,
        "polls": [poll_dict(poll) for poll in plan.polls],
        "devices": [_device(device) for device in plan.devices],
        "obstacles": [_obstacle(obstacle) for obstacle in plan.obstacles],
        "notes": [{"text": text, "devices": [t.key for t in targets]} for text, targets in plan.notes],
    }


def poll_dict(poll: PlannedPoll) -> dict[str, Any]:
    """One poll, with the names that CSV and TOML have as well."""
    target = poll.target
    return {
        "master": poll.master,
        "master_name": poll.master_name,
        "device": target.key,
        "device_name": target.name,
        "address": target.address,
        "port": target.port,
        "unit_id": target.unit,
        "function": poll.function,
        "first": poll.first if poll.first >= 0 else None,
        "count": poll.count,
        "period_s": seconds(poll.period_ns),
        "offset_s": seconds(poll.offset_ns),
        "wanted_period_s": seconds(poll.wanted_ns),
        "wanted_count": poll.wanted_count,
        "as_it_is": poll.fixed,
    }


def _device(device: DevicePlan) -> dict[str, Any]:
    limits = device.target.limits
    return {
        "device": device.target.key,
        "name": device.target.name,
        "max_block": limits.max_block,
        "max_reads_per_s": ratio(device.limit.reads_per_s) if device.limit else None,
        "watchdog_s": seconds(limits.watchdog_ns),
        "simulated": device.simulated,
        "before": _numbers(device.before) if device.before else None,
        "after": _numbers(device.after),
    }


def _numbers(numbers: Numbers) -> dict[str, Any]:
    return {
        "polls": numbers.polls,
        "reads_per_s": ratio(numbers.reads_per_s),
        "registers_per_s": ratio(numbers.registers_per_s),
        "largest_block": numbers.largest_block,
        "spare_polls": numbers.spare_polls,
        "busiest_second_reads": numbers.second,
        "busiest_ten_seconds_reads": numbers.ten_seconds,
        "busy_share": ratio(numbers.busy_share),
        "busy_share_p95": ratio(numbers.busy_share_p95),
    }


def _obstacle(obstacle: Obstacle) -> dict[str, Any]:
    return {
        "limit": obstacle.kind,
        "devices": [target.key for target in obstacle.devices],
        "text": obstacle.text,
    }
