"""A case in, how far it got and what went wrong out: read compiled and uncompiled, and everything compared."""

from __future__ import annotations

import functools
import io
import itertools
import json
import resource
import signal
import sys
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, fields
from enum import Enum
from pathlib import Path
from random import Random
from types import ModuleType
from typing import Any
from unittest.mock import patch

import numpy as np

from mbsniff.capture import open_recording
from mbsniff.diagnose import diagnose
from mbsniff.errors import MbsniffError
from mbsniff.exchange import Exchange, RecordingFacts, read_exchange
from mbsniff.exchange.columns import STATUS_MASK
from mbsniff.measure import measure
from mbsniff.report.as_json import diagnosis_json
from mbsniff.report.sheets import diagnosis_csv, diagnosis_markdown
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Site
from mbsniff.wire.connections import LIMBS, MODULUS
from mbsniff.wire.network import reader as network
from tests.fuzz.cases import Case
from tests.fuzz.sites import sites
from tests.site.test_fuzz import check as check_site

HANG_S = 5.0
_BY_PIECES = ("clocks",)  # for how long files lie among each other is looked at piece by piece
_SEEDING = "seeded_multipliers"
_LEAST_MULTIPLIER = 1 << 20
DEPTHS = (
    "refused", "no frame", "frames", "TCP of the port", "messages", "transactions", "answered", "site refused",
    "site read",
)  # fmt: skip


class HangError(Exception):
    """A case took longer than HANG_S."""


class Reports(Enum):
    """How much is made of a reading, and compared: nothing, figures to JSON, or every format."""

    NONE = 0
    JSON = 1
    ALL = 2


@dataclass(frozen=True)
class Trouble:
    """What went wrong: ``kind`` groups the like ones, ``detail`` is for whoever looks at one."""

    kind: str
    detail: str


@dataclass(frozen=True)
class Read:
    """One way's reading: the error that ended it, or its result."""

    error: str | None = None
    exchange: Exchange | None = None
    facts: RecordingFacts | None = None


class Checker:
    """Checks cases one after the other, in one process; ``folder`` takes the few files that it needs."""

    def __init__(self, folder: Path, limit_bytes: int) -> None:
        self._folder = folder
        self._limit_bytes = limit_bytes
        self._depth = 0
        self._peak_bytes = 0
        """The highest that was told, from `warm_up` on: what lies beyond is compared with it."""
        self._began_bytes = 0

    def warm_up(self, cases: Sequence[Case]) -> None:
        """Have everything loaded that a reading needs, and take its memory as the mark from which to count."""
        for case in cases:
            self.check(case, Reports.ALL)
        self._peak_bytes = self._began_bytes = _peak_bytes()

    @property
    def memory_bytes(self) -> tuple[int, int]:
        """The process's peak so far, and how far that is above what it was behind `warm_up`."""
        peak = _peak_bytes()
        return peak, peak - self._began_bytes

    def check(self, case: Case, reports: Reports = Reports.NONE) -> tuple[int, Trouble | None]:
        """(index in DEPTHS, what went wrong); ``reports``: how much is compared of what follows the reading."""
        trouble, self._depth = None, 0
        try:
            with _alarm() if self._peak_bytes else nullcontext(), _seeded(case):  # compiling may take long
                if case.is_site:
                    self._depth = self._site(case)
                else:
                    self._capture(case, reports)
        except WrongError as wrong:
            trouble = Trouble(wrong.kind, wrong.detail)
        except HangError:
            trouble = Trouble("hang", f"longer than {HANG_S} s")
        except Exception as error:  # anything at all is a finding here
            trouble = Trouble(f"raised {type(error).__name__} in {_place(error)}", traceback.format_exc())
        return self._depth, trouble or self._memory()

    def _memory(self) -> Trouble | None:
        peak = _peak_bytes()
        if self._peak_bytes and peak > self._peak_bytes + self._limit_bytes:
            grown, self._peak_bytes = peak - self._peak_bytes, peak
            return Trouble("memory", f"the peak rose by {grown:,} bytes")
        return None

    def _site(self, case: Case) -> int:
        is_read = check_site(self._folder / "site.toml", *case.files)
        return DEPTHS.index("site read" if is_read else "site refused")

    def _capture(self, case: Case, reports: Reports) -> None:
        with self._named(case.files) as names:
            plain = _read(case, names, compiled=False)
            with patch.object(network, "SOON_COMPILED", 0):
                fast = _read(case, names, compiled=True)
        _wrong_unless(plain.error == fast.error, "errors differ", plain.error, fast.error)
        if plain.exchange is None or plain.facts is None or fast.exchange is None or fast.facts is None:
            return
        self._depth = _depth(plain.exchange, plain.facts)
        is_alike = not case.sizes or len(case.files) == 1
        _compare(plain.facts, fast.facts, () if is_alike else _BY_PIECES)
        _compare(plain.exchange, fast.exchange)
        if is_alike and reports is not Reports.NONE:
            site, is_all = sites()[case.site], reports is Reports.ALL
            texts = [
                _reports(read.exchange, read.facts, site, compiled, is_all)
                for read, compiled in ((plain, False), (fast, True))
            ]
            for (name, one), (_, other) in zip(*texts, strict=True):
                _wrong_unless(one == other, f"{name} differs", one, other)

    @contextmanager
    def _named(self, files: list[bytes]) -> Iterator[list[str]]:
        """The captures' names; a single one is standard input, in memory."""
        if len(files) == 1:
            before, sys.stdin = sys.stdin, _Input(files[0])  # type: ignore[assignment]
            try:
                yield ["-"]
            finally:
                sys.stdin = before
            return
        paths = [self._folder / f"{number}.cap" for number in range(len(files))]
        for path, data in zip(paths, files, strict=True):
            path.write_bytes(data)
        yield [str(path) for path in paths]


class WrongError(Exception):
    """Something is not as promised."""

    def __init__(self, kind: str, detail: str) -> None:
        super().__init__(kind)
        self.kind = kind
        self.detail = detail


def _wrong_unless(holds: bool, kind: str, one: object, other: object = None) -> None:
    if not holds:
        raise WrongError(kind, f"{one!r}" if other is None else f"{one!r}\n--- compiled:\n{other!r}")


class _Input:
    """Stands in for standard input: bytes in memory."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.buffer = io.BytesIO(data)


def _read(case: Case, names: list[str], *, compiled: bool) -> Read:
    """One reading; any error but the project's own is left to the caller."""
    if isinstance(sys.stdin, _Input):
        sys.stdin.buffer.seek(0)
    try:
        with open_recording(names, **({} if compiled else case.sizes)) as recording:
            exchange, facts = read_exchange(recording, compiled=compiled, ports=case.ports)
    except MbsniffError as error:
        _one_line(str(error))
        return Read(error=str(error))
    return Read(None, exchange, facts)


def _one_line(text: str) -> None:
    _wrong_unless(text.isprintable() and 10 < len(text) < 2000, "error text", text)


def _compare(plain: Any, fast: Any, but: tuple[str, ...] = ()) -> None:
    for each in fields(plain):
        if each.name in but:
            continue
        one, other = getattr(plain, each.name), getattr(fast, each.name)
        same = _same_array(one, other) if isinstance(one, np.ndarray) else one == other
        _wrong_unless(same, f"{type(plain).__name__}.{each.name} differs", one, other)


def _same_array(one: np.ndarray[Any, Any], other: np.ndarray[Any, Any]) -> bool:
    """Whether types, shapes and bytes are the same."""
    return one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()


def _reports(
    exchange: Exchange | None, facts: RecordingFacts | None, site: Site, compiled: bool, is_all: bool
) -> Iterator[tuple[str, str]]:
    """The diagnosis as JSON, or in every format, by name."""
    assert exchange is not None and facts is not None
    figures = measure(exchange, facts, site, compiled=compiled)
    diagnosis = diagnose(exchange, facts, figures, site)
    text = diagnosis_json(diagnosis)
    json.loads(text, parse_constant=_no_constant)
    yield "JSON", text
    if not is_all:
        return
    yield "CSV", diagnosis_csv(diagnosis)
    yield "Markdown", diagnosis_markdown(diagnosis)
    page = diagnosis_page(diagnosis, 100)
    _wrong_unless(all(line.isprintable() for line in page.split("\n")), "page does not print", page)
    yield "page", page


def _no_constant(name: str) -> None:
    raise WrongError("JSON holds no number", name)


def _depth(exchange: Exchange, facts: RecordingFacts) -> int:
    reached = (
        facts.frames > 0,
        facts.counters.modbus_frames > 0,
        facts.counters.messages > 0,
        len(exchange.status) > 0,
        bool(((exchange.status & STATUS_MASK == 1) & (exchange.reply_ns >= 0)).any()),
    )
    return 1 + sum(itertools.takewhile(bool, reached))


@contextmanager
def hearing_alarms() -> Iterator[None]:
    """Have alarms end what runs; who checks many cases does it once for all of them."""
    before = signal.signal(signal.SIGALRM, _ring)
    try:
        yield
    finally:
        signal.signal(signal.SIGALRM, before)


def _ring(*_: object) -> None:
    raise HangError


@contextmanager
def _alarm() -> Iterator[None]:
    with nullcontext() if signal.getsignal(signal.SIGALRM) is _ring else hearing_alarms():
        signal.setitimer(signal.ITIMER_REAL, HANG_S)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)


@contextmanager
def _seeded(case: Case) -> Iterator[None]:
    """Have the hash tables seeded by the case, so that what a seed brings about can be replayed."""
    rng = Random(case.name)

    def multipliers() -> np.ndarray[Any, np.dtype[np.int64]]:
        drawn = np.frombuffer(rng.randbytes(8 * LIMBS), "<u8") % (MODULUS - _LEAST_MULTIPLIER)
        return drawn.astype(np.int64) + _LEAST_MULTIPLIER

    holders = _seeding_modules()
    before = [getattr(module, _SEEDING) for module in holders]
    for module in holders:
        setattr(module, _SEEDING, multipliers)
    try:
        yield
    finally:
        for module, function in zip(holders, before, strict=True):
            setattr(module, _SEEDING, function)


@functools.cache
def _seeding_modules() -> list[ModuleType]:
    """Where the function that seeds hash tables is looked up."""
    modules = [module for name, module in sys.modules.items() if name.startswith("mbsniff.")]
    return [module for module in modules if _SEEDING in vars(module)]


def _peak_bytes() -> int:
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def _place(error: BaseException) -> str:
    """The innermost place in the project, without the line: it moves."""
    places = [f for f in traceback.extract_tb(error.__traceback__) if "mbsniff" in Path(f.filename).parts]
    if not places:
        return "no code of the project"
    return f"{'/'.join(Path(places[-1].filename).parts[-2:])}, {places[-1].name}"
