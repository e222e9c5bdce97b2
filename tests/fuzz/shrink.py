"""A failing case in, a smaller one that fails alike out: fewer frames first, then fewer bytes."""

from __future__ import annotations

import multiprocessing as mp
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from mbsniff.errors import MbsniffError
from tests.fuzz.bases import frames_of
from tests.fuzz.cases import Case
from tests.fuzz.checks import HANG_S, Checker, Reports
from tests.fuzz.frames import Frame

SECONDS = 60.0
BILLION = 10**9
Item = TypeVar("Item")
_APART = ("crash", "hang", "memory")  # kinds of trouble that each attempt must be kept apart for


class Shrinker:
    """Makes a case smaller for as long as it fails with the same kind of trouble, and time is left."""

    def __init__(self, checker: Checker, case: Case, kind: str) -> None:
        self._checker = checker
        self._case = case
        self._kind = kind
        self._until = time.monotonic() + SECONDS

    def shrunk(self) -> Case:
        """The smallest case found."""
        for simpler in ({"sizes": {}}, {"ports": (502,)}, {"site": 0}):
            self._take(replace(self._case, **simpler))  # type: ignore[arg-type]
        if not self._case.is_site:
            self._by_frames()
        for number in range(len(self._case.files)):
            self._by_bytes(number)
        return self._case

    def _fails(self, case: Case) -> bool:
        if time.monotonic() > self._until:
            return False
        if self._kind not in _APART:
            trouble = self._checker.check(case, Reports.ALL)[1]
            return trouble is not None and trouble.kind == self._kind
        process = mp.get_context("fork").Process(target=self._attempt, args=(case,))
        process.start()
        process.join(2 * HANG_S)
        if process.exitcode is None:
            process.kill()
            process.join()
        return process.exitcode != 0

    def _attempt(self, case: Case) -> None:
        trouble = self._checker.check(case, Reports.ALL)[1]
        raise SystemExit(1 if trouble and trouble.kind == self._kind else 0)

    def _take(self, case: Case) -> bool:
        fails = self._fails(case)
        if fails:
            self._case = case
        return fails

    def _by_frames(self) -> None:
        """Plain pcap files of the same frames, if those fail as well; then without some, then shorter ones."""
        try:
            runs = [frames_of(data) for data in self._case.files]
        except MbsniffError:
            return
        if not all(runs) or not self._take(replace(self._case, files=[plain(run) for run in runs])):
            return
        for number, run in enumerate(runs):
            kept = fewer(
                run, lambda frames, n=number: bool(frames) and self._take(self._with(n, plain(frames)))
            )
            for place in range(len(kept)):
                self._frame(number, kept, place)

    def _frame(self, number: int, kept: list[Frame], place: int) -> None:
        """Zeros in one of the frames kept of a file."""

        def fails(data: Sequence[int]) -> bool:
            changed = [*kept[:place], kept[place].copy(data=bytes(data)), *kept[place + 1 :]]
            return self._take(self._with(number, plain(changed)))

        kept[place] = kept[place].copy(data=bytes(_zeroed(kept[place].data, fails)))

    def _with(self, number: int, data: bytes) -> Case:
        files = list(self._case.files)
        files[number] = data
        return replace(self._case, files=files)

    def _by_bytes(self, number: int) -> None:
        fewer(list(self._case.files[number]), lambda data: self._take(self._with(number, bytes(data))))


def fewer(items: Sequence[Item], fails: Callable[[Sequence[Item]], bool]) -> list[Item]:
    """The items without those that are not needed to fail: ever smaller stretches are left out."""
    kept = list(items)
    size = len(kept) // 2
    while size:
        at = 0
        while at < len(kept):
            without = [*kept[:at], *kept[at + size :]]
            if fails(without):
                kept = without
            else:
                at += size
        size //= 2
    return kept


def _zeroed(data: bytes, fails: Callable[[Sequence[int]], bool]) -> list[int]:
    """The bytes with zeros for those that are not needed to fail."""
    kept = list(data)
    size = len(kept) // 2
    while size:
        for at in range(0, len(kept), size):
            changed = [*kept[:at], *bytes(len(kept[at : at + size])), *kept[at + size :]]
            if changed != kept and fails(changed):
                kept = changed
        size //= 2
    return kept


def plain(frames: Sequence[Frame]) -> bytes:
    """A nanosecond pcap file of the first frame's link type."""
    parts = [struct.pack("<IHHIIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, frames[0].link & 0xFFFF)]
    for frame in frames:
        seconds = min(frame.time_ns // BILLION, (1 << 32) - 1)
        words = (seconds, frame.time_ns % BILLION, len(frame.data), frame.original & 0xFFFFFFFF)
        parts.append(struct.pack("<4I", *words) + frame.data)
    return b"".join(parts)
