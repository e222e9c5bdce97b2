"""A device's feeds in, its silences out: how long each was, and which were past the timeout."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import accumulate

from tests.oracle.matching import Transaction
from tests.oracle.pdus import ERROR_BIT

LONGEST_WAIT_NS = 60 * 10**9  # nothing of a request is seen later than that after it


@dataclass(frozen=True)
class Feed:
    """A request that restarts the watchdog: first seen, delivered at the latest, confirmed when or None."""

    first_ns: int
    latest_ns: int
    reply_ns: int | None


def feeds_of(requests: list[Transaction]) -> list[Feed]:
    """Every request feeds."""
    return [_feed(one) for one in requests]


def _feed(one: Transaction) -> Feed:
    if one.reply is None:
        return Feed(one.time_ns, max([one.time_ns, *one.sent_again_ns]), None)
    is_normal = one.answered and not one.reply.pdu[0] & ERROR_BIT
    return Feed(one.time_ns, one.reply_ns, one.reply_ns if is_normal else None)


@dataclass(frozen=True)
class Silences:
    """Silence i lies between feed i and feed i + 1."""

    feeds: list[Feed]

    def __len__(self) -> int:
        return max(len(self.feeds) - 1, 0)

    def simple_ns(self, i: int) -> int:
        return self.feeds[i + 1].first_ns - self.feeds[i].first_ns

    def shortest_ns(self, i: int) -> int:
        return max(self.feeds[i + 1].first_ns - self._latest_ns[i], 0)

    @cached_property
    def _latest_ns(self) -> list[int]:
        """For each feed the latest delivery of it or of any before it."""
        return list(accumulate((feed.latest_ns for feed in self.feeds), max))

    def confirmed_around(self, i: int) -> tuple[int, int] | None:
        """The last confirmed feed at or before silence i and the first at or after it."""
        after = bisect_right(self._confirmed, i)
        if after in (0, len(self._confirmed)):
            return None
        return self._confirmed[after - 1], self._confirmed[after]

    @cached_property
    def _confirmed(self) -> list[int]:
        return [k for k, feed in enumerate(self.feeds) if feed.reply_ns is not None]

    def longest_ns(self, i: int) -> int | None:
        around = self.confirmed_around(i)
        if around is None:
            return None
        return self._earliest_reply_ns[around[1]] - self.feeds[around[0]].first_ns

    @cached_property
    def _earliest_reply_ns(self) -> dict[int, int]:
        """For each confirmed feed the earliest reply that confirms it or any after it."""
        replies = [(k, self.feeds[k].reply_ns or 0) for k in reversed(self._confirmed)]
        soonest = accumulate((reply_ns for _, reply_ns in replies), min)
        return {k: reply_ns for (k, _), reply_ns in zip(replies, soonest, strict=True)}

    @property
    def longest(self) -> int | None:
        """The complete silence of the greatest simple length, the earliest of equals."""
        return max(range(len(self)), key=lambda i: (self.simple_ns(i), -i), default=None)

    def count_due(self, threshold: Fraction, ends_ns: int) -> int:
        """Silences, and the open end, that were past the threshold for certain."""
        complete = sum(self.shortest_ns(i) > threshold for i in range(len(self)))
        return complete + len(self._out_of_reach(threshold, ends_ns)) + self._end_is_due(threshold, ends_ns)

    def _end_is_due(self, threshold: Fraction, ends_ns: int) -> bool:
        return bool(self.feeds) and ends_ns - self._latest_ns[-1] > threshold

    def count_possibly_due(self, threshold: Fraction, ends_ns: int) -> int:
        """Stretches that may have been too long, without those that were so for certain."""
        return len(self._doubtful(threshold, ends_ns)) - len(self._out_of_reach(threshold, ends_ns))

    def _doubtful(self, threshold: Fraction, ends_ns: int) -> list[tuple[int, int]]:
        """Neighbouring confirmed feeds too far apart, nothing certain between them; and the end (beyond the last)."""
        pairs = {around for i in range(len(self)) if (around := self.confirmed_around(i))}
        found = [(first, last) for first, last in sorted(pairs) if self._possibly(first, last, threshold)]
        if self._end_is_possibly_due(threshold, ends_ns):
            found.append((self._confirmed[-1], len(self.feeds)))
        return found

    def _end_is_possibly_due(self, threshold: Fraction, ends_ns: int) -> bool:
        if not self._confirmed or self._end_is_due(threshold, ends_ns):
            return False
        last = self._confirmed[-1]
        certain = any(self.shortest_ns(i) > threshold for i in range(last, len(self)))
        return ends_ns - self.feeds[last].first_ns > threshold and not certain

    def _possibly(self, first: int, last: int, threshold: Fraction) -> bool:
        longest = self.longest_ns(first)
        certain = any(self.shortest_ns(i) > threshold for i in range(first, last))
        return longest is not None and longest > threshold and not certain

    def _out_of_reach(self, threshold: Fraction, ends_ns: int) -> list[tuple[int, int]]:
        """Doubtful stretches in which some feed, or the end, comes too late however those before it were delivered.

        Each feed is delivered once; a stretch that follows another at once goes on with what is left of its feeds.
        """
        found = []
        reached, left, ended = Fraction(0), list[int](), -1
        for first, last in self._doubtful(threshold, ends_ns):
            if first != ended:
                reached = Fraction(self.feeds[first].latest_ns)
                since = self.feeds[first].first_ns - LONGEST_WAIT_NS
                left = [feed.latest_ns for feed in self.feeds[:first] if feed.first_ns >= since]
            late = False
            for k in range(first + 1, last + 1):
                is_end = k == len(self.feeds)
                wanted = ends_ns if is_end else self.feeds[k].first_ns
                while reached + threshold < wanted and (useful := [ns for ns in left if ns > reached]):
                    left.remove(min(useful))
                    reached = min(Fraction(min(useful)), reached + threshold)
                if reached + threshold >= wanted:
                    left += [] if is_end else [self.feeds[k].latest_ns]
                else:
                    late = True
                    reached = Fraction(ends_ns if is_end else self.feeds[k].latest_ns)
            found += [(first, last)] if late else []
            ended = last
        return found
