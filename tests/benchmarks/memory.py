"""A running process → its peak memory, with that of its descendants.

``ru_maxrss`` would not do: on Linux a process that was just started inherits it from the benchmark.
"""

from __future__ import annotations

import re
import threading
from pathlib import Path

INTERVAL_S = 0.02
_PSS = re.compile(rb"^Pss:\s+([0-9]+) kB", re.MULTILINE)
_HIGHEST = re.compile(rb"^VmHWM:\s+([0-9]+) kB", re.MULTILINE)


def tree(pid: int) -> list[int]:
    """The process and all its descendants that are alive."""
    found = [pid]
    for parent in found:
        for thread in _threads(parent):
            found += [int(child) for child in _read(f"/proc/{parent}/task/{thread}/children").split()]
    return found


def _threads(pid: int) -> list[str]:
    try:
        return [path.name for path in Path(f"/proc/{pid}/task").iterdir()]
    except OSError:  # it has ended
        return []


def pss_bytes(pid: int) -> int:
    """Proportional set size of one process; 0 where it is gone."""
    return _kilobytes(_PSS, f"/proc/{pid}/smaps_rollup")


def resident_bytes(pid: int) -> int:
    """The highest resident set size that one process has had; 0 where it is gone."""
    return _kilobytes(_HIGHEST, f"/proc/{pid}/status")


def _kilobytes(pattern: re.Pattern[bytes], path: str) -> int:
    match = pattern.search(_read(path))
    return 1024 * int(match[1]) if match else 0


def can_measure() -> bool:
    """Whether this system tells the proportional set size."""
    return Path("/proc/self/smaps_rollup").exists()


def _read(path: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError:  # it has ended
        return b""


class Watcher:
    """Looks at a process tree every 20 ms, from a thread of its own, until it is stopped."""

    def __init__(self, pid: int) -> None:
        self.pss_bytes = 0
        """Proportional set size, summed over the tree."""
        self.resident_bytes = 0
        """Resident set size of the largest process."""
        self._pid = pid
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._done.is_set():
            processes = tree(self._pid)
            self.pss_bytes = max(self.pss_bytes, sum(map(pss_bytes, processes)))
            self.resident_bytes = max(self.resident_bytes, *map(resident_bytes, processes))
            self._done.wait(INTERVAL_S)

    def stop(self) -> None:
        """Look no more; the peaks stay."""
        self._done.set()
        self._thread.join()
