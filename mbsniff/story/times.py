"""A time zone's name in, local times out; and a time as an alarm list gives it in, the stretch that it means out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from mbsniff.errors import one_line
from mbsniff.story.ask import AskError

NS_PER_S = 1_000_000_000
LAST_S = 253_402_214_399  # the day before the year 9999 ends, so that every zone has a time for it
MOST_DAYS = 400  # days of a recording that are looked at for a time of day

_OFFSET = re.compile(r"(?:UTC)?([+-])(\d{1,2})(?::?(\d{2}))?")
_AT = re.compile(
    r"\s*(?:(\d{4})-(\d{2})-(\d{2})[T ]\s*)?(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*(Z|[+-]\d{2}:?\d{2})?\s*"
)
_CLOCK = re.compile(r"\b([01]\d|2[0-3]):([0-5]\d):([0-5]\d)(\.\d{3})?\b(?![\d:])")


@dataclass(frozen=True)
class Times:
    """Prints and reads times of one zone; ``zone`` is None for the computer's own."""

    zone: tzinfo | None = UTC

    def clock(self, ns: int) -> str:
        """Local time of day to the millisecond: "02:13:05.120"."""
        whole, rest = divmod(ns, NS_PER_S)
        return f"{self._local(whole):%H:%M:%S}.{rest // 1_000_000:03d}"

    def day(self, ns: int) -> str:
        """The local date: "2026-03-01"."""
        return f"{self._local(ns // NS_PER_S):%Y-%m-%d}"

    def moment(self, ns: int) -> str:
        """Local date and time, to the millisecond."""
        return f"{self.day(ns)} {self.clock(ns)}"

    def name(self, ns: int) -> str:
        """What the zone is called then, with its difference to UTC where that is not 0: "CET, UTC+01:00"."""
        local = self._local(ns // NS_PER_S)
        minutes = int((local.utcoffset() or timedelta()).total_seconds()) // 60
        if minutes == 0:
            return "UTC"
        hours, rest = divmod(abs(minutes), 60)
        offset = f"UTC{'+' if minutes > 0 else '-'}{hours:02d}:{rest:02d}"
        called = local.tzname() or ""
        return f"{called}, {offset}" if called.isalpha() else offset

    def localized(self, text: str, near_ns: int) -> str:
        """A sentence of the diagnosis with its times of day, which are UTC, turned into local ones."""
        offset = self._local(near_ns // NS_PER_S).utcoffset() or timedelta()
        if not offset:
            return text
        shift_s = int(offset.total_seconds())
        return _CLOCK.sub(lambda found: _shifted(found, shift_s), text)

    def _local(self, seconds: int) -> datetime:
        return datetime.fromtimestamp(max(0, min(seconds, LAST_S)), UTC).astimezone(self.zone)


def _shifted(found: re.Match[str], shift_s: int) -> str:
    total = (int(found[1]) * 3600 + int(found[2]) * 60 + int(found[3]) + shift_s) % 86_400
    return f"{total // 3600:02d}:{total // 60 % 60:02d}:{total % 60:02d}{found[4] or ''}"


def times_in(name: str | None) -> Times:
    """The times of a zone: its name as "Europe/Vienna", "UTC", or an offset as "+02:00"; None for the computer's.

    Raises AskError for what is no zone.
    """
    if name is None:
        return Times(None)
    offset = _OFFSET.fullmatch(name)
    try:
        if offset:
            length = timedelta(hours=int(offset[2]), minutes=int(offset[3] or 0))
            return Times(timezone(-length if offset[1] == "-" else length))
        return Times(UTC if name.upper() in ("UTC", "Z") else ZoneInfo(name))
    except (ValueError, KeyError, OSError):  # not in the computer's list, or no name at all
        what = f'"{one_line(name[:40])}" is no time zone'
        raise AskError(what, expected='"Europe/Vienna", "UTC" or an offset such as "+02:00"') from None


def stretch_at(text: str, times: Times, starts_ns: int, ends_ns: int) -> tuple[int, int]:
    """When a time as given begins and ends (as exact as it was written), within a recording's extent.

    ``text``: "02:13", "02:13:05.12", "2026-03-01 02:13", with or without "Z" or an offset. Raises AskError for what is
    no time, for one outside the recording, and for a time of day that comes on several of its days.
    """
    found = _AT.fullmatch(text)
    shown = one_line(text[:40])
    expected = '"02:13", "02:13:05" or "2026-03-01 02:13"'
    if found is None:
        raise AskError(f'"{shown}" is no time', expected=expected)
    zone = times_in(found[8]).zone if found[8] else times.zone
    span_ns = 60 * NS_PER_S if found[6] is None else NS_PER_S // 10 ** len(found[7] or "")
    hits = []
    for day in _days(found, Times(zone), starts_ns, ends_ns):
        for begin in _begins(found, day, zone, shown, expected):
            if begin <= ends_ns and begin + span_ns > starts_ns:
                hits.append((begin, begin + span_ns))
    hits = sorted(set(hits))
    if not hits:
        extent = f"{times.moment(starts_ns)} to {times.moment(ends_ns)} ({times.name(starts_ns)})"
        raise AskError(f"{shown} is outside the recording", expected=f"a time from {extent}")
    if len(hits) > 1:
        known = ", ".join(Times(zone).moment(begin)[:16] for begin, _ in hits[:4])
        raise AskError(
            f"{shown} comes {len(hits)} times in the recording", expected=f"a date too, as {known}"
        )
    return hits[0]


def _days(found: re.Match[str], times: Times, starts_ns: int, ends_ns: int) -> list[date]:
    """The date that was given, or every day of the recording."""
    if found[1]:
        try:
            return [date(int(found[1]), int(found[2]), int(found[3]))]
        except ValueError:
            raise AskError(f"{found[1]}-{found[2]}-{found[3]} is no date") from None
    first, last = (date.fromisoformat(times.day(ns)) for ns in (starts_ns, ends_ns))
    count = min((last - first).days, MOST_DAYS)
    return [first + timedelta(days=k) for k in range(count + 1)]


def _begins(found: re.Match[str], day: date, zone: tzinfo | None, shown: str, expected: str) -> set[int]:
    """Nanoseconds of the time on that day: two where the clock was put back, so that it came twice."""
    rest = int((found[7] or "").ljust(9, "0"))
    try:
        wall = datetime(day.year, day.month, day.day, int(found[4]), int(found[5]), int(found[6] or 0))
        seconds = {int(wall.replace(tzinfo=zone, fold=fold).timestamp()) for fold in (0, 1)}
    except (ValueError, OverflowError):
        raise AskError(f'"{shown}" is no time', expected=expected) from None
    return {s * NS_PER_S + rest for s in seconds}
