"""Durations as people write them ("3s", "250 ms", "2min") → int64 nanoseconds."""

from __future__ import annotations

import re

from mbsniff.errors import SiteError

NS_PER_S = 1_000_000_000
MOST_S = 366 * 86_400  # anything longer is a wrong unit, and must stay below 2**63 ns

_UNITS_NS = {
    "ns": 1,
    "us": 1_000,
    "µs": 1_000,  # U+00B5, micro sign
    "μs": 1_000,  # U+03BC, Greek mu
    "ms": 1_000_000,
    "s": NS_PER_S,
    "min": 60 * NS_PER_S,
    "h": 3_600 * NS_PER_S,
}
_DURATION = r"\s*([0-9]{1,18}(?:\.[0-9]{0,18})?|\.[0-9]{1,18})\s*([a-zµμ]*)\s*"


def parse_duration_ns(text: str) -> int:
    """Nanoseconds of a number with a unit (ns, us, ms, s, min, h); a bare number is seconds.

    0 is allowed: as a watchdog's timeout it means that the watchdog never trips. Raises SiteError for
    anything else: signs, unknown units, more than 366 days, or above 0 but below 1 ns.
    """
    from decimal import Decimal  # loaded where a duration is stated

    match = re.fullmatch(_DURATION, text)
    unit_ns = _UNITS_NS.get(match[2] or "s") if match else None
    if match is None or unit_ns is None:
        raise _refused(text, "cannot be read as a duration")
    number = Decimal(match[1]) * unit_ns
    duration_ns = round(number)
    if duration_ns > MOST_S * NS_PER_S:
        raise _refused(text, "is longer than 366 days")
    if number > 0 and duration_ns == 0:
        raise _refused(text, "is shorter than a nanosecond")
    return duration_ns


def _refused(text: str, why: str) -> SiteError:
    shown = text if len(text) <= 40 else f"{text[:40]}…"
    return SiteError(
        f'"{shown}" {why}',
        expected='a number of at least 0 with ns, us, ms, s, min or h, such as "3s", "250ms" or "2min"',
        hint="A bare number is seconds.",
    )
