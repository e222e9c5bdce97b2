"""Numbers in, the words for them out: durations, times, counts, as findings and tables print them."""

from __future__ import annotations

from datetime import UTC, datetime

from mbsniff.errors import one_line
from mbsniff.site import DataTable, Numbering, number_of

NS_PER_S = 1_000_000_000


def duration(ns: int) -> str:
    """A length of time to about three digits: "850 ms", "3.28 s", "4 min 10 s"."""
    if ns < 0:
        return "-" + duration(-ns)
    for unit_ns, unit in ((1, "ns"), (1_000, "µs"), (1_000_000, "ms")):
        if ns < 999.5 * unit_ns:  # from there on three digits are 1000 of the unit
            return f"{ns / unit_ns:.3g} {unit}"
    if ns < 99.95 * NS_PER_S:
        return f"{ns / NS_PER_S:.3g} s"
    minutes, seconds = divmod(round(ns / NS_PER_S), 60)
    if minutes < 100:
        return f"{minutes} min {seconds} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min"


def between(shortest_ns: int, longest_ns: int | None) -> str:
    """A length known within bounds: "9.98 to 10.1 s", "10 s", or "9.98 s or more"."""
    low = duration(shortest_ns)
    if longest_ns is None:
        return f"{low} or more"
    high = duration(longest_ns)
    if low == high:
        return high
    (a, unit_a), (b, unit_b) = low.rsplit(" ", 1), high.rsplit(" ", 1)
    return f"{a} to {b} {unit_b}" if unit_a == unit_b and " " not in a + b else f"{low} to {high}"


def clock(ns: int) -> str:
    """Time of day, UTC, to the millisecond: "02:13:05.120"."""
    whole, rest = divmod(ns, NS_PER_S)
    return f"{_utc(whole):%H:%M:%S}.{rest // 1_000_000:03d}"


def day(ns: int) -> str:
    """The date, UTC: "2026-03-01"."""
    return f"{_utc(ns // NS_PER_S):%Y-%m-%d}"


def moment(ns: int) -> str:
    """Date and time in ISO 8601, UTC, with nine decimals: "2026-03-01T02:13:05.120000000Z"."""
    whole, rest = divmod(ns, NS_PER_S)
    return f"{_utc(whole):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def _utc(seconds: int) -> datetime:
    return datetime.fromtimestamp(min(seconds, 253_402_300_799), UTC)  # year 9999, the last that fits


def counted(count: int, one: str, many: str | None = None) -> str:
    """A number with its noun: "1 request", "1,204 requests"."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def listed(items: list[str], most: int = 5) -> str:
    """A few items joined by commas, and how many are left out."""
    shown = ", ".join(items[:most])
    return f"{shown} and {len(items) - most} more" if len(items) > most else shown


def addresses(
    start: int | None,
    quantity: int | None,
    table: DataTable | None = None,
    numbering: Numbering | None = None,
) -> str:
    """Addresses of a request: "0-15", "40", or nothing; "40 (no. 41)" where the manual counts otherwise.

    ``numbering`` is how the manual counts, where the site file says so, ``table`` where the addresses are.
    """
    if start is None:
        return ""
    last = start + max(quantity or 1, 1) - 1
    text = str(start) if last == start else f"{start}-{last}"
    if table is None or numbering is None:
        return text
    first_number, last_number = number_of(table, start, numbering), number_of(table, last, numbering)
    numbers = first_number if last == start else f"{first_number}-{last_number}"
    return text if numbers == text else f"{text} (no. {numbers})"


def named(key: str, name: str | None) -> str:
    """What to call a device: its site name with its address, or the address alone; safe to print."""
    return f"{one_line(name)} ({key})" if name else key
