"""What a site file leaves open for a device, and what looks wrong in it."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from mbsniff.site import Device, Limits, Register, Tripped
from mbsniff.site.openings import OPEN_KEYS, open_keys, second_looks

FULL = Limits(
    watchdog_ns=3, on_loss="hold", max_block=16, max_reads_per_s=4.0, masters=("a",), tolerable_outage_ns=5,
    writers=("a",), watchdog_register=1, status_register=2, status_tripped=Tripped(2, 2),
)  # fmt: skip


def test_nothing_stated_and_everything_stated() -> None:
    """A bare device leaves every key open, a complete one none."""
    assert open_keys(Device(None, "192.0.2.50")) == tuple(OPEN_KEYS)
    assert open_keys(Device(None, "192.0.2.50", limits=FULL, registers=(Register("x"),))) == ()


@pytest.mark.parametrize("key", [f.name for f in fields(Limits) if getattr(FULL, f.name) is not None])
def test_each_key_counts_alone(key: str) -> None:
    """A limit that is not stated is the only one that is open."""
    limits = replace(FULL, **{key: getattr(Limits(), key)})
    found = open_keys(Device(None, "192.0.2.50", limits=limits, registers=(Register("x"),)))
    assert found == (
        () if getattr(Limits(), key) is not None or key == "status_tripped" else (key.replace("_ns", "_s"),)
    )


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({}, ""),
        ({"tolerable_outage_ns": 2}, "longer than tolerable_outage_s"),
        ({"status_tripped": None}, "without status_tripped"),
        ({"watchdog_ns": 0}, "never trips"),
        ({"max_block": 1}, "torn apart"),
    ],
)
def test_what_looks_wrong(changes: dict[str, object], part: str) -> None:
    """Each contradiction is told, and a sound device raises none."""
    limits = replace(FULL, **changes)  # type: ignore[arg-type]
    looks = second_looks(Device(None, "192.0.2.50", limits=limits, registers=(Register("x", type="int32"),)))
    assert [part in look for look in looks] == [True] * bool(part)
