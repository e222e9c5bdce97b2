"""The other devices' silences in, moments out: who else went without feeds at the same time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from mbsniff.diagnose.finding import Diagnosis, Finding
from mbsniff.diagnose.naming import folded
from mbsniff.diagnose.watchdog import TOO_SLOWLY
from mbsniff.diagnose.wording import between
from mbsniff.story.masters import MOST_NAMES
from mbsniff.story.moments import Moment
from mbsniff.story.names import called
from mbsniff.story.scope import Scope


def other_moments(scope: Scope, diagnosis: Diagnosis) -> Iterator[Moment]:
    """Devices whose watchdog was due, or may have been, at the same time: those with one cause together."""
    if scope.silence is None:
        return
    names = {d.key: called(d) for d in diagnosis.figures.devices}
    own = scope.device.key
    groups: dict[str, list[Finding]] = defaultdict(list)
    for finding in diagnosis.findings:
        told_alone = finding.cause not in (None, TOO_SLOWLY)  # others reach over many silences
        if (
            told_alone
            and finding.code == "watchdog-due"
            and finding.device != own
            and _overlaps(scope, finding)
        ):
            groups[finding.cause or ""].append(finding)
    for cause, found in groups.items():
        from_ns = max(min(f.from_ns or 0 for f in found), scope.from_ns)
        until_ns = min(max(f.until_ns or 0 for f in found), scope.until_ns)
        lengths = [(f.until_ns or 0) - (f.from_ns or 0) for f in found]
        why = f" ({cause})" if cause else ""
        what = f"{between(min(lengths), max(lengths))}{why}"
        keys = {f.device for f in found}
        devices = folded([name for key, name in names.items() if key in keys], MOST_NAMES)
        yield Moment("others-silent", from_ns, (), whom=devices, what=what, until_ns=until_ns)


def _overlaps(scope: Scope, finding: Finding) -> bool:
    if finding.from_ns is None or finding.until_ns is None:
        return False
    return finding.from_ns < scope.until_ns and scope.from_ns < finding.until_ns
