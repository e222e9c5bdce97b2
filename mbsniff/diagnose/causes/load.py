"""A silence in, how load and service time of the device's endpoint went before and in it out: which of them rose first.

Offered load is what all masters together ask of the endpoint, a second. Load × service time is the share of its
time that a device which serves one request after the other needs: from 1 on it falls behind.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from mbsniff.diagnose.causes.seen import ABSENT, UNTOLD, Seen
from mbsniff.diagnose.lines import Longs, one_of
from mbsniff.diagnose.scene import IN_TIME, Rows, Scene, endpoint_rows
from mbsniff.diagnose.wording import NS_PER_S, clock, counted, duration, listed
from mbsniff.exchange.columns import LATE

BUSY = 6  # server device busy (V1.1b3, 7)
LOOKS_BACK_NS = 120 * NS_PER_S
LEAST = 5  # answered requests that tell what is usual
HISTORY_NS = 5 * NS_PER_S  # before the silence, at least; and not less than the watchdog's timeout
SLOWER, SLOWER_NS = 3, 20_000_000  # times the usual service time, and at least so much more
TOGETHER_NS = 10 * NS_PER_S  # slow replies that far apart belong together
DENSER, MORE = 1.5, 3  # times the usual load, and so many requests more than that
WINDOW_NS = 2 * NS_PER_S


@dataclass(frozen=True)
class Run:
    """The endpoint's requests before and in a silence, in time order."""

    rows: Rows
    times: Longs
    service: Longs
    """Nanoseconds from the request, or the reply before where that is later, to the reply; -1 where there is none."""
    half_ns: int
    """What came before this moment tells what is usual."""
    begins_ns: int

    @functools.cached_property
    def usual_ns(self) -> Longs:
        """Service times of the earlier half."""
        return np.sort(self.service[(self.times < self.half_ns) & (self.service >= 0)])

    @functools.cached_property
    def usual_per_s(self) -> float:
        """Requests a second of the earlier half."""
        count = int(np.searchsorted(self.times, self.half_ns))
        return count * NS_PER_S / max(self.half_ns - self.begins_ns, 1)

    @functools.cached_property
    def slow(self) -> Longs:
        """Places of the later replies that took far longer than usual: the last ones that belong together."""
        middle, high = self.usual_ns[len(self.usual_ns) // 2], self.usual_ns[-len(self.usual_ns) // 20]
        bound = max(SLOWER * int(middle), 3 * int(high) // 2, int(middle) + SLOWER_NS)
        bad = np.flatnonzero((self.times >= self.half_ns) & ((self.service > bound) | (self.service < 0)))
        apart = np.flatnonzero(np.diff(self.times[bad]) > TOGETHER_NS)
        bad = bad[apart[-1] + 1 :] if len(apart) else bad
        return np.asarray(bad[self.service[bad] >= 0], np.int64)

    def window_ns(self) -> int:
        """Over which a rise of the load is looked for: long enough for some requests."""
        return max(WINDOW_NS, round(4 * NS_PER_S / self.usual_per_s) if self.usual_per_s else WINDOW_NS)

    def before(self, moment: int) -> slice:
        """Places of the requests in the window that ends at a moment, itself included."""
        first = int(np.searchsorted(self.times, moment - self.window_ns()))
        return slice(first, int(np.searchsorted(self.times, moment, side="right")))


def _run(scene: Scene) -> Run:
    if "run" not in scene.told:
        scene.told["run"] = _made(scene)
    run: Run = scene.told["run"]
    return run


def _made(scene: Scene) -> Run:
    exchange = scene.case.exchange
    begins = max(scene.from_ns - LOOKS_BACK_NS, scene.case.facts.starts_ns or 0)
    rows = endpoint_rows(scene.case, scene.device, begins, scene.until_ns)
    times = exchange.request_ns[rows]
    served = one_of(scene.statuses(rows), (*IN_TIME, LATE)) & (exchange.exception[rows] == 0)
    came = np.where(served, times + exchange.reply_ns[rows], 0)
    earlier = np.maximum.accumulate(np.concatenate([[0], came[:-1]])) if len(rows) else came
    service = np.where(served, np.maximum(came - np.maximum(times, earlier), 0), -1)
    return Run(rows, times, service, begins + (scene.from_ns - begins) // 2, begins)


def _was_asked(scene: Scene) -> bool:
    """Whether the masters that feed it tried anything meanwhile: else its load explains nothing."""
    return bool(len(scene.further) or len(scene.unanswered) or len(scene.attempts))


def _tells(scene: Scene, run: Run) -> bool:
    """Whether the recording has enough of what went before to say what is usual."""
    history = scene.from_ns - run.begins_ns
    return len(run.usual_ns) >= LEAST and history >= max(HISTORY_NS, scene.limit_ns)


def _busy(scene: Scene, run: Run) -> Longs:
    """Places of busy replies after the earlier half."""
    is_busy = scene.case.exchange.exception[run.rows] == BUSY
    return np.flatnonzero(is_busy & (run.times >= run.half_ns))


def busy_replies(scene: Scene) -> Seen:
    """The endpoint answers that it is busy (06), which it did not before."""
    if not _was_asked(scene):
        return ABSENT
    run = _run(scene)
    busy = _busy(scene, run)
    if not len(busy):
        return ABSENT
    text = f"it answered busy (06) {counted(len(busy), 'time')}"
    return Seen(True, text, scene.case.reply_frames(run.rows[busy].tolist()))


def service_time_rose(scene: Scene) -> Seen:
    """Replies took far longer than usual before the silence, or in it."""
    if not _was_asked(scene):
        return ABSENT
    run = _run(scene)
    if not _tells(scene, run):
        return UNTOLD
    slow = run.slow
    if len(slow) < 2 or run.times[slow[-1]] < scene.from_ns - TOGETHER_NS:
        return ABSENT
    usual, worst = int(run.usual_ns[len(run.usual_ns) // 2]), int(run.service[slow].max())
    text = (
        f"its service time went from {duration(usual)} to {duration(worst)}, from "
        f"{clock(int(run.times[slow[0]]))} on"
    )
    return Seen(True, text, scene.case.reply_frames(run.rows[slow].tolist()))


def load_rose_first(scene: Scene) -> Seen:
    """More was asked of the endpoint before it became slow, busy or silent."""
    if not _was_asked(scene):
        return ABSENT
    run = _run(scene)
    if not _tells(scene, run):
        return UNTOLD
    onset = _onset(scene, run)
    window = run.before(onset)
    count, width = window.stop - window.start, run.window_ns() / NS_PER_S
    if count < DENSER * run.usual_per_s * width or count < run.usual_per_s * width + MORE:
        return ABSENT
    text = (
        f"requests rose from {run.usual_per_s:.1f}/s to {count / width:.1f}/s by {clock(onset)} "
        f"({_shares(scene, run, window, width)}){_need(run, count / width)}"
    )
    return Seen(True, text, scene.case.request_frames(_newest(scene, run, window)))


def _onset(scene: Scene, run: Run) -> int:
    """When it first became slow, busy or silent."""
    marks = [int(run.times[places[0]]) for places in (run.slow, _busy(scene, run)) if len(places)]
    missed = scene.case.exchange.request_ns[scene.unanswered]
    marks += [int(missed[0])] if len(missed) else []
    return min(marks, default=scene.from_ns)


def _shares(scene: Scene, run: Run, window: slice, width: float) -> str:
    """What each master asked a second, the one that added most first, and what it had asked before."""
    case, groups = scene.case, scene.case.figures.groups
    masters = groups.master_of_poll[case.exchange.poll[run.rows]]
    before = int(np.searchsorted(run.times, run.half_ns))
    span = max(run.half_ns - run.begins_ns, 1) / NS_PER_S
    now = {
        m: int(np.count_nonzero(masters[window] == m)) / width for m in np.unique(masters[window]).tolist()
    }
    then = {m: int(np.count_nonzero(masters[:before] == m)) / span for m in now}
    ranked = sorted(now, key=lambda m: then[m] - now[m])
    return listed(
        [f"{case.master_name(groups.masters[m])} {then[m]:.1f} to {now[m]:.1f}/s" for m in ranked], 3
    )


def _newest(scene: Scene, run: Run, window: slice) -> list[int]:
    """Requests of the master that added most."""
    groups = scene.case.figures.groups
    masters = groups.master_of_poll[scene.case.exchange.poll[run.rows]]
    asked = np.bincount(masters[window], minlength=len(groups.masters))
    earlier = np.bincount(masters[: np.searchsorted(run.times, run.half_ns)], minlength=len(groups.masters))
    most = int((asked - earlier).argmax())
    own: list[int] = run.rows[window][masters[window] == most][:4].tolist()
    return own


def _need(run: Run, per_s: float) -> str:
    """Load × service time, before and when it was slow, where it was."""
    if len(run.slow) < 2:
        return ""
    usual = run.usual_per_s * int(run.usual_ns[len(run.usual_ns) // 2]) / NS_PER_S
    slow = per_s * int(np.median(run.service[run.slow])) / NS_PER_S
    return f"; load × service time {usual:.2g} to {slow:.2g}"
