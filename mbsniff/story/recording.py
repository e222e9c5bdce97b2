"""What the recorder itself missed in, moments out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mbsniff.diagnose.wording import duration
from mbsniff.story.moments import Moment
from mbsniff.story.scope import Scope

TOLD = 0.25  # of the stretch told of: shorter blanks are usual where little goes on


def recording_moments(scope: Scope) -> Iterator[Moment]:
    """Stretches, a second or longer, in which no frame of any kind was recorded."""
    blanks = scope.case.facts.blanks
    if not len(blanks):
        return
    inside = (blanks[:, 1] > scope.from_ns) & (blanks[:, 0] < scope.until_ns)
    for from_ns, until_ns in blanks[np.flatnonzero(inside)].tolist():
        begin = max(from_ns, scope.from_ns)
        long = until_ns - from_ns >= TOLD * (scope.until_ns - scope.from_ns)
        yield Moment(
            "blank" if long else "blank-short", begin, what=duration(until_ns - from_ns), until_ns=until_ns
        )
