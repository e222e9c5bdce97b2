"""How far the work is, on standard error: on a terminal a line that changes, and only after two seconds."""

from __future__ import annotations

import sys
import time
from types import TracebackType

QUIET_S = 2.0
EVERY_S = 0.25


class Progress:
    """A line of progress; made and left by ``with``."""

    def __init__(self) -> None:
        self._began_s = self._told_s = time.monotonic()
        self._live = sys.stderr.isatty()
        self._shown = False

    def read(self, done: int, total: int | None) -> None:
        """Bytes read so far, of how many if that is known."""
        now_s = time.monotonic()
        if not self._live or now_s - self._began_s < QUIET_S or now_s - self._told_s < EVERY_S:
            return
        self._told_s = now_s
        share = f", {done / total:.0%}" if total else ""
        self._show(f"read {done / 1e6:,.0f} MB{share}")

    def compiling(self, name: str) -> None:
        """A loop is about to be compiled."""
        if self._live:
            self._show(f"preparing {name}")

    def say(self, text: str) -> None:
        """A line that stays, whether or not standard error is a terminal."""
        self._clear()
        print(f"mbsniff: {text}", file=sys.stderr)

    def _show(self, text: str) -> None:
        print(f"\r{text:<60}", end="", file=sys.stderr, flush=True)
        self._shown = True

    def _clear(self) -> None:
        if self._shown:
            print("\r" + " " * 60 + "\r", end="", file=sys.stderr, flush=True)
        self._shown = False

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._clear()
