"""A random generator in, the frames of a valid conversation out, or some frames in a row of a sample."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path
from random import Random

from mbsniff.capture import open_recording
from tests.builders.adus import FUNCTIONS
from tests.builders.packets import COOKED, COOKED_2, ETHERNET, IPV4, IPV6, LOOP, NULL, RAW, Link
from tests.builders.recorder import recorded
from tests.builders.traffic import ACTS, V4, V6, Step, act_out
from tests.fuzz.frames import Frame
from tests.fuzz.framing import serial_conversation

SAMPLES = Path(__file__).parents[2] / "samples"
MOST_FRAMES = 40
_SAMPLE_FRAMES = 4000  # of each sample, from its beginning
_OFTEN = ("ask", "answer", "ask", "answer", "cycle", "ask fixed", "ask in parts", "answer in parts", "open")
_ACTS = (*_OFTEN, *_OFTEN, *_OFTEN, *ACTS)
_WAITS = (0.0, 0.000001, 0.001, 0.01, 0.049999999, 0.05, 0.2, 0.99, 1.01, 3.0, 20.0, 61.0)
_FATES = (
    *[""] * 12,
    "lost",
    "copy",
    "copy late",
    "copies",
    "early1",
    "early2",
    "early3",
    "cut20",
    "cut30",
    "cut35",
)
_LINKS = (ETHERNET, ETHERNET, ETHERNET, RAW, COOKED, COOKED_2, NULL, LOOP)
_TAGS = ((), (), (0x8100,), (0x88A8, 0x8100))


def base(rng: Random) -> list[Frame]:
    """Up to MOST_FRAMES frames; callers change copies."""
    what = rng.random()
    frames = sample_window(rng) if what < 0.2 else conversation(rng)
    if what > 0.9:
        frames = serial_conversation(rng, Link())
    return frames[:MOST_FRAMES]


def conversation(rng: Random) -> list[Frame]:
    """Masters and devices talk, below any link; the recorder mistreats some frames."""
    is_ip6 = rng.random() < 0.25
    number = rng.choice((*_LINKS, IPV6 if is_ip6 else IPV4))
    link = Link(number, rng.choice(_TAGS) if number == ETHERNET else (), rng.choice(("little", "big")))
    steps = [_step(rng) for _ in range(rng.randint(2, 14))]
    first = rng.choice((1000, 2**32 - 5, 2**32 - 30, 2**31 - 5))
    plant = act_out(steps, addresses=V6 if is_ip6 else V4, first=first)
    del plant.wire[2 * MOST_FRAMES :]
    records = recorded(plant.wire, link, rng.choice((None, None, None, 66, 70)))
    return [Frame(time_ns, data, original, number) for time_ns, data, original in records]


def _step(rng: Random) -> Step:
    return Step(
        act=rng.choice(_ACTS),
        who=rng.choice((0, 0, 0, 1, 2, 3, 4)),
        wait=rng.choice(_WAITS),
        unit=rng.choice((1, 1, 1, 0, 2, 255)),
        function=rng.choice((3, 3, 3, 6, 16, *FUNCTIONS)),
        start=rng.randrange(4),
        count=rng.randint(1, 8),
        value=rng.randrange(10),
        pick=rng.choice((0, 0, 0, 0, *range(1, 13))),
        stale=rng.random() < 0.3,
        fate=rng.choice(_FATES),
    )


def sample_window(rng: Random) -> list[Frame]:
    """Frames in a row of real traffic."""
    frames = rng.choice(samples())
    start = rng.randrange(max(len(frames) - MOST_FRAMES, 1))
    return [frame.copy() for frame in frames[start : start + rng.randint(5, MOST_FRAMES)]]


@functools.cache
def samples() -> list[list[Frame]]:
    """The beginnings of the project's samples."""
    return [sample(path) for path in sorted(SAMPLES.rglob("*.pcap*"))]


def sample(path: Path) -> list[Frame]:
    """The first frames of a capture."""
    frames: list[Frame] = []
    with open_recording([str(path)]) as recording:
        for batch in recording.batches(compiled=False):
            for position, captured, original, time_ns, link in batch.rows.tolist():
                data = batch.data[position : position + captured].tobytes()
                frames.append(Frame(time_ns, data, original, link))
            if len(frames) >= _SAMPLE_FRAMES:
                break
    return frames[:_SAMPLE_FRAMES]


def frames_of(data: bytes) -> list[Frame]:
    """The first frames of a capture in memory; MbsniffError where it is none."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "some.cap"
        path.write_bytes(data)
        return sample(path)
