"""One device's transactions in, its figures out, as the contributor guide defines them."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

from tests.oracle.frames import BILLION
from tests.oracle.matching import Transaction
from tests.oracle.pdus import BLOCKS, ERROR_BIT, READS, requested
from tests.oracle.polls import Poll, order_of_address, polls_of
from tests.oracle.quantiles import milliseconds, seconds
from tests.oracle.silences import Feed, Silences, feeds_of


@dataclass(frozen=True)
class Limit:
    """What a device tolerates: its watchdog's timeout (0 or None: no verdict) and the tolerance on it."""

    timeout_ns: int | None = None
    tolerance: float = 0.1

    @property
    def threshold_ns(self) -> Fraction:
        """The timeout and its tolerance, exactly, with the tolerance as it is written in decimals."""
        return (self.timeout_ns or 0) * (1 + Fraction(str(self.tolerance)))


@dataclass(frozen=True)
class Span:
    """First and last moment of the recording."""

    starts_ns: int
    ends_ns: int

    @property
    def length_ns(self) -> int:
        return self.ends_ns - self.starts_ns


def iso(time_ns: int) -> str:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=time_ns // BILLION)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{time_ns % BILLION:09d}Z"


def rate(count: int, span: Span) -> float | None:
    return round(count * BILLION / span.length_ns, 6) if span.length_ns else None


def busiest_second(times_ns: list[int]) -> int:
    """The most moments in any window [t, t + 1 s)."""
    ordered = sorted(times_ns)
    return max((bisect_left(ordered, t + BILLION) - bisect_left(ordered, t) for t in ordered), default=0)


def device_figures(
    requests: list[Transaction], service_ns: list[int], orphans: int, span: Span, limit: Limit
) -> dict[str, Any]:
    """All figures of a device; ``requests`` in time order."""
    status = Counter(one.status for one in requests)
    answered = [one for one in requests if one.answered]
    polls = polls_of(requests)
    regular = _is_regular(requests, polls, span)
    reads = [one.time_ns for one in requests if one.function in READS]
    return {
        "masters": sorted({one.client for one in requests}, key=order_of_address),
        "regular": regular,
        "requests": len(requests),
        "answered": len(answered),
        "unanswered": status["unanswered"],
        "open_at_end": status["open"],
        "exceptions": _exceptions(answered),
        "functions": _counts(one.function for one in requests),
        "block_sizes": _block_sizes(requests),
        "requests_per_s": rate(len(requests), span),
        "reads_per_s": rate(len(reads), span),
        "busiest_second_reads": busiest_second(reads),
        "reply_ms": milliseconds([one.reply_ns - one.time_ns for one in answered]),
        **_silence_figures(requests, polls, span, limit, regular),
        "polls": [poll.as_json() for poll in polls],
        "late": status["late"],
        "pipelined": status["pipelined"],
        "by_order": status["by-order"],
        "misaddressed": status["misaddressed"],
        "unknown": status["unknown"],
        "broadcast": status["broadcast"],
        "orphan_replies": orphans,
        "resent_requests": sum(one.resent for one in requests),
        "sent_again_by_tcp": sum(bool(one.sent_again_ns) for one in requests),
        "service_ms": milliseconds(service_ns),
    }


def _is_regular(requests: list[Transaction], polls: list[Poll], span: Span) -> bool:
    if any(poll.kind == "cyclic" for poll in polls):
        return True
    if len(requests) < 10:
        return False
    return 2 * (requests[-1].time_ns - requests[0].time_ns) >= span.length_ns


def _counts(items: Iterable[int]) -> dict[str, int]:
    return {str(key): count for key, count in sorted(Counter(items).items())}


def _exceptions(answered: list[Transaction]) -> dict[str, int]:
    """By code; one that has none, or that the recorder cut off, counts as 0."""
    replies = [one.reply.pdu for one in answered if one.reply]
    return _counts(pdu[1] if len(pdu) > 1 else 0 for pdu in replies if pdu[0] & ERROR_BIT)


def _block_sizes(requests: list[Transaction]) -> dict[str, dict[str, int]]:
    sizes: dict[int, list[int]] = {}
    for one in requests:
        quantity = requested(one.request).quantity
        if one.function in BLOCKS and quantity is not None:
            sizes.setdefault(one.function, []).append(quantity)
    return {str(function): _counts(sizes[function]) for function in sorted(sizes)}


def _silence_figures(
    requests: list[Transaction], polls: list[Poll], span: Span, limit: Limit, regular: bool
) -> dict[str, Any]:
    feeds: list[Feed] = feeds_of(requests)
    silences = Silences(feeds)
    longest = silences.longest
    judged = bool(limit.timeout_ns) and regular
    timeout = limit.timeout_ns if judged else None
    threshold = limit.threshold_ns if judged else None
    length = silences.simple_ns(longest) if longest is not None else None
    return {
        "longest_silence_s": seconds(length),
        "longest_silence_at": iso(feeds[longest].first_ns) if longest is not None else None,
        "longest_silence_min_s": seconds(silences.shortest_ns(longest) if longest is not None else None),
        "longest_silence_max_s": seconds(silences.longest_ns(longest) if longest is not None else None),
        "open_silence_start_s": seconds(feeds[0].first_ns - span.starts_ns if feeds else None),
        "open_silence_end_s": seconds(span.ends_ns - feeds[-1].first_ns if feeds else None),
        "watchdog_s": seconds(limit.timeout_ns),
        "margin": round(1 - length / timeout, 6) if timeout and length is not None else None,
        "spare_polls": _spare_polls(polls, timeout, length),
        "watchdog_due": silences.count_due(threshold, span.ends_ns) if threshold else None,
        "watchdog_possibly_due": silences.count_possibly_due(threshold, span.ends_ns) if threshold else None,
    }


def _spare_polls(polls: list[Poll], timeout: int | None, longest: int | None) -> int | None:
    periods = [poll.median_ns for poll in polls if poll.kind == "cyclic"]
    if not timeout or longest is None or not periods:
        return None
    return max((timeout - longest) // max(min(periods), 1), 0)
