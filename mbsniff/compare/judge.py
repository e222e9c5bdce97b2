"""Figures before and after in, what stands out of the variation within each recording out."""

from __future__ import annotations

import math
from collections.abc import Iterable

from mbsniff.compare.catalogue import Figure
from mbsniff.compare.drafts import Draft
from mbsniff.compare.intervals import Events, Interval, difference, ratio
from mbsniff.compare.result import STANDS_OUT, Outcome, Row

FALSE_SHARE = 0.05  # of what is called a change, at most so much is expected to be none
SINGLE = "a single extreme"
TOO_FEW = "too few replies for so high a quantile"


def level(drafts: Iterable[Draft]) -> float:
    """The probability with which each interval may miss, so that few of the changes called are none.

    Benjamini and Hochberg (J. R. Stat. Soc. B 57, 1995): the greatest R of m figures such that R of them leave
    zero out at FALSE_SHARE × R ÷ m; intervals at that level are those of Benjamini and Yekutieli (J. Am. Stat.
    Assoc. 100, 2005) and leave zero out for just these figures.
    """
    tried = [draft for draft in drafts if _can_differ(draft)]
    found = len(tried)
    while found:
        alpha = FALSE_SHARE * found / len(tried)
        left_out = sum(_leaves_out(draft, alpha) for draft in tried)
        if left_out >= found:
            return alpha
        found = left_out
    return FALSE_SHARE / max(len(tried), 1)


def _can_differ(draft: Draft) -> bool:
    before, after = draft.before.side, draft.after.side
    if draft.why or before is None or after is None:
        return False
    return not (isinstance(before, Events) and isinstance(after, Events)) or before.count + after.count > 0


def _interval(draft: Draft, alpha: float) -> Interval:
    before, after = draft.before.side, draft.after.side
    assert before is not None and after is not None
    if isinstance(before, Events):
        assert isinstance(after, Events)
        return ratio(before, after, alpha)
    assert not isinstance(after, Events)
    return difference(before, after, alpha)


def _leaves_out(draft: Draft, alpha: float) -> bool:
    low, high = _interval(draft, alpha)
    none = 1 if draft.figure.kind == "events" else 0
    return low > none or high < none


def rows(drafts: list[Draft], alpha: float) -> list[Row]:
    """A device's rows, judged at the level; those of single extremes by the row that they follow."""
    made: dict[str, Row] = {}
    for draft in sorted(drafts, key=lambda d: d.figure.kind == "worst"):
        made[draft.figure.key] = _row(draft, alpha, made)
    return [made[draft.figure.key] for draft in drafts]


def _row(draft: Draft, alpha: float, made: dict[str, Row]) -> Row:
    interval = None
    if draft.why:
        outcome, why = _cannot(draft.why)
    elif draft.figure.kind == "worst":
        outcome, why = _as_followed(draft, made.get(draft.figure.judged_by or ""))
    elif not _can_differ(draft):
        outcome, why = "same", "none in either"
    else:
        interval = _interval(draft, alpha)
        outcome, why = _outcome(draft, interval, alpha)
    return Row(
        figure=draft.figure,
        before=draft.before.value,
        after=draft.after.value,
        outcome=outcome,
        matters=_matters(draft),
        why=why,
        interval=interval,
        before_median=draft.before.median,
        after_median=draft.after.median,
    )


def _cannot(why: str) -> tuple[Outcome, str]:
    return "cannot tell", why


def _matters(draft: Draft) -> bool:
    """Whether the change is as large as the smallest that matters."""
    before, after = draft.before.value or 0.0, draft.after.value or 0.0
    least = max(draft.figure.absolute, draft.figure.relative * max(abs(before), abs(after)))
    return abs(after - before) >= least * (1 - 1e-9) and after != before


def _direction(figure: Figure, change: float) -> Outcome:
    if not figure.worse:
        return "higher" if change > 0 else "lower"
    return "worse" if change * figure.worse > 0 else "better"


def _outcome(draft: Draft, interval: Interval, alpha: float) -> tuple[Outcome, str]:
    before, after = draft.before.value or 0.0, draft.after.value or 0.0
    if _leaves_out(draft, alpha):
        if _matters(draft):
            return _direction(draft.figure, after - before), ""
    elif not all(map(math.isfinite, interval)) and draft.figure.kind == "quantile":
        return _cannot(TOO_FEW)
    return ("same", "") if _too_small(draft, interval) else ("not clear", "")


def _too_small(draft: Draft, interval: Interval) -> bool:
    """Whether the change is too small to matter wherever in its interval it lies."""
    figure = draft.figure
    if figure.kind == "events":
        return 1 - figure.relative <= interval[0] and interval[1] <= 1 / (1 - figure.relative)
    largest = max(abs(draft.before.value or 0.0), abs(draft.after.value or 0.0))
    least = max(figure.absolute, figure.relative * largest)
    return -least < interval[0] and interval[1] < least


def _as_followed(draft: Draft, followed: Row | None) -> tuple[Outcome, str]:
    """A single extreme's outcome: that of the typical one, where both changed alike."""
    if followed is None or followed.outcome == "cannot tell":
        return _cannot(followed.why if followed else SINGLE)
    if not _matters(draft):
        return "same", ""
    change = (draft.after.value or 0.0) - (draft.before.value or 0.0)
    longer = change > 0 if draft.figure.worse >= 0 else change < 0
    if followed.outcome in STANDS_OUT and ((followed.change or 0.0) > 0) == longer:
        return _direction(draft.figure, change), ""
    return "not clear", SINGLE
