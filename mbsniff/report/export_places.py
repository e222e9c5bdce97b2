"""Ordinals of frames in, the files and numbers of these frames out; times in, texts out: many at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import RecordingFacts

Longs = NDArray[np.int64]


def places(facts: RecordingFacts, ordinals: Longs) -> list[tuple[str, int] | tuple[None, None]]:
    """(file, number of the frame in it, from 1) of each ordinal; nothing for ordinals below 0."""
    runs = np.maximum(np.searchsorted(facts.runs[:, 0], ordinals, side="right") - 1, 0)
    if not len(facts.runs):
        return [(None, None)] * len(ordinals)
    first, file, number = facts.runs[runs].T
    numbers = (number + ordinals - first).tolist()
    return [
        (facts.files[which].file, found) if ordinal >= 0 else (None, None)
        for which, found, ordinal in zip(file.tolist(), numbers, ordinals.tolist(), strict=True)
    ]


def moments(times_ns: Longs) -> list[str]:
    """Date and time in ISO 8601, UTC, with nine decimals, as `mbsniff.diagnose.wording.moment` writes them."""
    texts = np.datetime_as_string(times_ns.astype("datetime64[ns]"), unit="ns")
    return [f"{text}Z" for text in texts.tolist()]
