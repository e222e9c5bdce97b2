"""The findings of two diagnoses in, which are new, gone, worse, better or unchanged out."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.compare.catalogue import EVENTS_OF_FINDING
from mbsniff.compare.distributions import rate_ratio
from mbsniff.compare.result import CHANGES, Change, DeviceChange, FindingChange
from mbsniff.diagnose import Diagnosis, Finding
from mbsniff.diagnose.catalogue import SEVERITY
from mbsniff.diagnose.finding import LEVELS

HOUR_NS = 3600 * 10**9
ALPHA = 0.05  # for how often a finding occurs, where it does in both
BY_CHANCE = "so few may be chance"
_Place = tuple[str, int | str]
_Groups = dict[tuple[str, str, _Place], list[Finding]]


def finding_changes(before: Diagnosis, after: Diagnosis, devices: list[DeviceChange]) -> list[FindingChange]:
    """Findings matched by code, cause and device; the gravest first, and of these the new and the worse ones."""
    old = _grouped(before.findings, "before", {d.before.figures.key: i for i, d in enumerate(devices)})
    new = _grouped(after.findings, "after", {d.after.figures.key: i for i, d in enumerate(devices)})
    made = []
    for key in sorted({*old, *new}, key=repr):
        place = key[2][1]
        both = _Both(old.get(key, []), new.get(key, []), devices[place] if isinstance(place, int) else None)
        made.append(both.change(before.facts.span_ns, after.facts.span_ns))
    return sorted(made, key=_gravest)


def _grouped(findings: list[Finding], side: str, places: dict[str, int]) -> _Groups:
    found: _Groups = {}
    for finding in findings:
        if finding.device is None:  # an incident, which its devices' own findings tell as well
            continue
        key = finding.device
        place: _Place = ("both", places[key]) if key in places else (side, key)
        found.setdefault((finding.code, finding.cause or "", place), []).append(finding)
    return found


def _gravest(change: FindingChange) -> tuple[int, int, int, str]:
    order = LEVELS.index(change.level), CHANGES.index(change.change), SEVERITY[change.code]
    return *order, change.device


@dataclass(frozen=True)
class _Both:
    """The findings of one code, cause and device, before and after; ``device`` is None in one recording alone."""

    before: list[Finding]
    after: list[Finding]
    device: DeviceChange | None

    def change(self, span_before_ns: int, span_after_ns: int) -> FindingChange:
        """What became of them."""
        first = (self.after or self.before)[0]
        levels = [self._level(side) for side in (self.before, self.after)]
        change = self._kind(levels, span_before_ns, span_after_ns)
        clear, why = self._certainty(change, first.code, (span_before_ns, span_after_ns))
        return FindingChange(
            code=first.code,
            cause=first.cause,
            device=first.device or "",
            name=first.name,
            level=LEVELS[min(levels)],
            before=len(self.before),
            after=len(self.after),
            before_per_h=_per_hour(len(self.before), span_before_ns),
            after_per_h=_per_hour(len(self.after), span_after_ns),
            change=change,
            clear=clear,
            why=why,
            texts=(self.before[0].text if self.before else None, self.after[0].text if self.after else None),
            fault_got_worse=change in ("new", "worse") and levels[1] == LEVELS.index("fault"),
        )

    @staticmethod
    def _level(findings: list[Finding]) -> int:
        """The gravest one's place in LEVELS."""
        return min((LEVELS.index(f.level) for f in findings), default=len(LEVELS))

    def _kind(self, levels: list[int], span_before_ns: int, span_after_ns: int) -> Change:
        if not self.before or not self.after:
            return "gone" if self.before else "new"
        if levels[0] != levels[1]:
            return "worse" if levels[1] < levels[0] else "better"
        return self._by_rate(span_before_ns, span_after_ns) or "unchanged"

    def _by_rate(self, span_before_ns: int, span_after_ns: int) -> Change | None:
        """Whether they come more or less often, beyond chance."""
        if not (span_before_ns and span_after_ns):
            return None
        low, high = rate_ratio((len(self.before), span_before_ns), (len(self.after), span_after_ns), ALPHA)
        return "worse" if low > 1 else "better" if high < 1 else None

    def _certainty(self, change: Change, code: str, spans: tuple[int, int]) -> tuple[bool | None, str]:
        """Whether chance is ruled out, by what counts the same events; None where nothing does."""
        if self.device is None:
            return None, f"the device is not in the recording {'after' if self.before else 'before'}"
        if code not in EVENTS_OF_FINDING or change == "unchanged":
            return None, ""
        key = EVENTS_OF_FINDING[code]
        row = next((row for row in self.device.rows if row.figure.key == key), None)
        wanted: Change = "worse" if change in ("new", "worse") else "better"
        clear = (row.outcome if row else self._by_rate(*spans)) == wanted
        return clear, "" if clear else BY_CHANCE


def _per_hour(count: int, span_ns: int) -> float | None:
    return count * HOUR_NS / span_ns if span_ns else None
