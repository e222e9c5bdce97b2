"""Options of the benchmark → captures, made when first needed, and the programs that read them."""

from __future__ import annotations

import itertools
import json
import shlex
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.benchmarks.disturb import Disturbance, disturb
from tests.benchmarks.generator import Generated, generate
from tests.benchmarks.runs import Run, RunError, compile_stepping, run, warm
from tests.benchmarks.shape import Shape

AS_INSTALLED = {
    "PYTHONDONTWRITEBYTECODE": ""
}  # sources are not compiled anew each time, whatever the shell says
GOOD = (0, 1)  # mbsniff's exit status 1: findings at fault level


@dataclass
class Bench:
    """What all parts share. ``size_bytes`` is the unit: slopes need 1 and 4 of it, whole runs 2."""

    folder: Path
    size_bytes: int
    pairs: int
    cores: Sequence[int]
    program: Sequence[str]
    arguments: Sequence[str]
    shape: Shape
    keep: bool = False
    limit_s: float = 600
    """How long one run may take."""
    _made: dict[tuple[int, Shape], Generated] = field(default_factory=dict)
    _numbers: Iterator[int] = field(default_factory=itertools.count)
    _stepping: Path | None = None

    def capture(self, size_bytes: int, shape: Shape | None = None) -> Generated:
        """A capture of that size, in the page cache; checked against what both programs count."""
        shape = shape or self.shape
        if (size_bytes, shape) not in self._made:
            path = self.folder / f"polling-{next(self._numbers)}.pcap"
            say(f"making {size_bytes / 1e6:,.0f} MB, {shape.connections:,} connections")
            made = generate(path, size_bytes, shape)
            warm(path)
            self._check(made)
            self._made[size_bytes, shape] = made
        return self._made[size_bytes, shape]

    def disturbed(self, made: Generated, disturbance: Disturbance) -> Generated:
        """The bench's capture as a bad mirror port delivers it; checked too. Others forget it."""
        path = self.folder / f"disturbed-{next(self._numbers)}.pcap"
        say(f"disturbing {made.size_bytes / 1e6:,.0f} MB: {disturbance}")
        result = disturb(made, self.shape, path, disturbance)
        warm(path)
        self._check(result)
        return result

    def forget(self, made: Generated) -> None:
        """Delete a capture that no other part needs."""
        if not self.keep:
            made.path.unlink(missing_ok=True)
            self._made = {key: value for key, value in self._made.items() if value is not made}

    def stepping(self, made: Generated) -> Run:
        """The C capture library's steps through a capture."""
        if self._stepping is None:
            self._stepping = compile_stepping(self.folder)
        return run([str(self._stepping), str(made.path)], self.cores)

    def mbsniff(
        self, made: Generated, variables: Mapping[str, str] | None = None, watch_memory: bool = False
    ) -> Run:
        """mbsniff's whole process on a capture."""
        command = [*self.program, *(a.replace("{file}", str(made.path)) for a in self.arguments)]
        result = run(
            command, self.cores, {**AS_INSTALLED, **(variables or {})}, watch_memory, GOOD, self.limit_s
        )
        if not result.output:  # a program that cannot start, or breaks, also has exit status 1
            raise RunError(f"{shlex.join(command)}: no output: {result.last_words}")
        return result

    def helping(self) -> Run:
        """mbsniff's help page."""
        return run([*self.program, "--help"], self.cores, AS_INSTALLED)

    def _check(self, made: Generated) -> None:
        """Both programs have to count what the generator wrote; this run also compiles mbsniff's loops."""
        counted = int(self.stepping(made).output.split()[0])
        if counted != made.frames:
            raise RunError(f"the C capture library counts {counted:,} frames of {made.frames:,}")
        try:
            report = json.loads(self.mbsniff(made).output)
            seen = report["recording"]["frames"], sum(d["requests"] for d in report["devices"])
        except (ValueError, LookupError, TypeError) as error:
            raise RunError(f"what mbsniff prints is no diagnosis as JSON: {error!r}") from error
        if seen != (made.frames, made.transactions):
            wanted = f"{made.frames:,} frames with {made.transactions:,} requests"
            raise RunError(f"mbsniff counts {seen[0]:,} frames with {seen[1]:,} requests instead of {wanted}")


def say(text: str) -> None:
    """A line of progress."""
    print(f"… {text}", file=sys.stderr, flush=True)
