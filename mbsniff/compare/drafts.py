"""A device's blocks in both recordings in, each of its figures before and after out, not judged yet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.compare.blocks import Blocks, greatest
from mbsniff.compare.catalogue import FIGURES, Figure
from mbsniff.compare.intervals import Events, Mean, Rank, Side
from mbsniff.compare.resampling import LEAST_DRAWS, MOST_BLOCKS, Draws, standard_errors
from mbsniff.diagnose.wording import counted, duration
from mbsniff.measure import DeviceFigures

S, H = 10**9, 3600 * 10**9
Columns = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Sums and weights of every block."""


@dataclass(frozen=True)
class Measured:
    """A figure in one recording: its value, median over blocks, and how far it varies (None: cannot be told)."""

    value: float | None = None
    median: float | None = None
    side: Side | Events | None = None


@dataclass(frozen=True)
class Draft:
    """A figure before and after."""

    figure: Figure
    before: Measured
    after: Measured
    why: str = ""
    """Why nothing can be told, where nothing can."""


def drafts(before: Recorded, after: Recorded) -> list[Draft]:
    """Every figure of the table that the device has in one of the recordings at least."""
    span_ns = min(before.blocks.series.span_ns, after.blocks.series.span_ns)
    left, right = before.measured(span_ns), after.measured(span_ns)
    made = []
    for figure in FIGURES:
        one, other = left[figure.key], right[figure.key]
        if one.value is not None or other.value is not None:
            made.append(Draft(figure, one, other, _why(figure, before, after, one, other)))
    return made


def _why(figure: Figure, before: Recorded, after: Recorded, one: Measured, other: Measured) -> str:
    missing = [text for text, m in (("before", one), ("after", other)) if m.value is None]
    if missing:
        return f"nothing to measure {missing[0]}"
    if not (before.device.regular or after.device.regular):
        return "the device was only probed"
    sides = (("before", before), ("after", after))
    short = [text for text, recorded in sides if not recorded.draws(figure).enough]
    if figure.kind == "worst" or not short:
        return ""
    stretch_ns = max(recorded.stretch_ns(figure) for _, recorded in sides)
    return (
        f"too short {' and '.join(short)}: fewer than {counted(LEAST_DRAWS, 'stretch', 'stretches')} "
        f"of {duration(stretch_ns)}"
    )


@dataclass(frozen=True)
class Recorded:
    """A device in one recording, cut into blocks."""

    device: DeviceFigures
    blocks: Blocks

    def draws(self, figure: Figure) -> Draws:
        """How its blocks are drawn for a figure."""
        return self.blocks.draws(figure.reach_ns)

    def stretch_ns(self, figure: Figure) -> int:
        """How long what is drawn at once is."""
        how = self.draws(figure)
        return how.size * how.blocks_a_unit * self.blocks.length_ns

    def measured(self, span_ns: int) -> dict[str, Measured]:
        """Every figure by key; single extremes over stretches of ``span_ns``."""
        columns = {f.key: self._columns(f) for f in FIGURES if f.kind in ("rate", "peak", "quantile")}
        errors = self._errors(columns)
        made = {}
        for figure in FIGURES:
            error, how = errors.get(figure.key), self.draws(figure)
            if figure.kind == "rate":
                made[figure.key] = self._rate(figure, error, how)
            elif figure.kind == "peak":
                made[figure.key] = self._peak(figure, error, how)
            elif figure.kind == "quantile":
                made[figure.key] = self._quantile(figure, error, how)
            elif figure.kind == "events":
                made[figure.key] = self._events(figure, how)
            else:
                made[figure.key] = Measured(self._worst(figure, span_ns))
        return made

    def _columns(self, figure: Figure) -> Columns:
        """What the figure's variation is worked out from."""
        blocks = self.blocks
        if figure.kind == "rate":
            return blocks.sums(figure.source).astype(float), np.ones(blocks.count)
        if figure.kind == "peak":
            values = blocks.maxima(figure.source)
            return np.nan_to_num(values), (~np.isnan(values)).astype(float)
        times, lengths = blocks.series.lengths[figure.source]
        edges = blocks.edges(times)
        if not len(lengths):
            return np.zeros(blocks.count), np.zeros(blocks.count)
        ordered = blocks.ordered(figure.source)
        within = lengths <= Rank(ordered, figure.percent / 100, 0, 1).value
        upto = np.concatenate([[0], np.cumsum(within)])
        return np.diff(upto[edges]).astype(float), np.diff(edges).astype(float)

    def _errors(self, columns: dict[str, Columns]) -> dict[str, float]:
        """Standard errors, all that are drawn alike at once; none where there are too few blocks, or no weight."""
        alike: dict[Draws, list[str]] = {}
        for figure in FIGURES:
            if figure.key in columns and self.draws(figure).enough:
                alike.setdefault(self.draws(figure), []).append(figure.key)
        found = {}
        for how, keys in alike.items():
            sums, weights = (np.stack([columns[key][part] for key in keys], axis=1) for part in (0, 1))
            errors = standard_errors(sums, weights, how).tolist()
            found.update({k: e for k, e in zip(keys, errors, strict=True) if not np.isnan(e)})
        return found

    def _rate(self, figure: Figure, error: float | None, how: Draws) -> Measured:
        blocks, series = self.blocks, self.blocks.series
        if not series.span_ns:
            return Measured()
        amounts = series.amounts[figure.source]
        value = int(amounts.sum()) * S / series.span_ns
        if error is None:
            return Measured(value)
        grain = int(amounts.max(initial=0)) * S / series.span_ns
        side = Mean(value, error * S / blocks.length_ns, how.freedom, grain)
        return Measured(value, float(np.median(blocks.sums(figure.source))) * S / blocks.length_ns, side)

    def _peak(self, figure: Figure, error: float | None, how: Draws) -> Measured:
        values = self.blocks.maxima(figure.source)
        values = values[~np.isnan(values)]
        if not len(values):
            return Measured()
        mean, median = float(values.mean()), float(np.median(values))
        return Measured(mean, median, None if error is None else Mean(mean, error, how.freedom))

    def _quantile(self, figure: Figure, error: float | None, how: Draws) -> Measured:
        ordered = self.blocks.ordered(figure.source)
        if not len(ordered):
            return Measured()
        side = Rank(ordered, figure.percent / 100, error or 0.0, max(how.freedom, 1))
        of_blocks = self.blocks.quantiles(figure.source, figure.percent)
        median = float(np.median(of_blocks)) if len(of_blocks) else None
        return Measured(side.value, median, None if error is None else side)

    def _events(self, figure: Figure, how: Draws) -> Measured:
        series, judged = self.blocks.series, bool(self.device.limits.watchdog_ns)
        if figure.source in series.silence_counts and not judged:
            return Measured()
        open_end = int(figure.source == "due" and series.open_end_due)
        count = open_end + int(series.counts(figure.source)[1].sum())
        exposure = len(series.requests_ns) if figure.unit == "share" else series.span_ns / H
        if not exposure:
            return Measured()
        dispersion = self._dispersion(figure.source, how) if how.enough else None
        side = Events(count, exposure, dispersion, how.freedom)
        return Measured(side.value, None, side if how.enough else None)

    def _dispersion(self, source: str, how: Draws) -> float | None:
        """Variance ÷ mean of the events in stretches as long as those that are drawn."""
        sums = self.blocks.sums(source)
        width = how.size * how.blocks_a_unit
        stretches = sums[: len(sums) // width * width].reshape(-1, width).sum(axis=1)
        return float(stretches.var(ddof=1) / stretches.mean()) if stretches.any() else None

    def _worst(self, figure: Figure, span_ns: int) -> float | None:
        """The extreme of a stretch as long as the shorter recording; in the longer one, the median of such."""
        begins, values = self.blocks.extremes(figure.source)
        if not span_ns:
            return None
        stretches = min(self.blocks.series.span_ns // span_ns, MOST_BLOCKS)
        found = greatest(begins, values, span_ns, stretches)
        found = np.sort(found[~np.isnan(found)])
        if not len(found):
            return None
        longest = int(found[(len(found) - 1) // 2])
        if figure.key not in ("margin", "spare_polls"):
            return float(longest)
        return self._reserve(figure, longest)

    def _reserve(self, figure: Figure, longest_ns: int) -> float | None:
        """Margin or spare polls that the longest silence leaves."""
        timeout_ns, fastest = self.device.limits.watchdog_ns, self.device.fastest_feeding_poll
        if not timeout_ns or not self.device.regular:
            return None
        if figure.key == "margin":
            return 1 - longest_ns / timeout_ns
        if fastest is None or fastest.period is None:
            return None
        return float(max((timeout_ns - longest_ns) // max(fastest.period.median, 1), 0))
