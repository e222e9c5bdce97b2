"""Devices' silences beyond their timeouts in, each by what a finding about it says out."""

from __future__ import annotations

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.scene import extent
from mbsniff.diagnose.watchdog import beyond_timeout
from mbsniff.measure import DeviceFigures, Silence

Silent = tuple[DeviceFigures, Silence]
Key = tuple[str | None, int | None, int | None]
Silences = dict[Key, Silent]
"""(device's key, from, until) of a finding about one silence: that silence."""


def key_of(finding: Finding) -> Key:
    """What a finding about one silence is found by."""
    return finding.device, finding.from_ns, finding.until_ns


def silences_by_finding(case: Case, keys: set[str]) -> Silences:
    """Each silence beyond the timeout of these devices, by what a finding about it says."""
    return {
        (device.key, extent(silence)[0], silence.until_ns): (device, silence)
        for device in case.figures.devices
        if device.key in keys
        for silence in beyond_timeout(device)
    }
