"""A folder of inputs in, more of them out: mutation guided by the coverage of the uncompiled readers.

Needs atheris (``pip install -e '.[fuzz]'``). What lies in the folder is gone through first; an empty one begins with
cases of `tests.fuzz.cases`. A failure ends the run, and the input that caused it is written to the folder
``failures`` beside the corpus.
"""

from __future__ import annotations

import importlib
import io
import sys
from pathlib import Path
from typing import Any

_FIRST_INPUTS = 400
_MOST_BYTES = 8192
_MEMORY_MB = 2048
_HANG_S = 5


def guided(corpus: Path, minutes: float) -> int:
    """Run for so many minutes; the exit status, unless a failure ends the process before."""
    try:
        atheris: Any = importlib.import_module("atheris")
    except ImportError:
        print("atheris is not installed: pip install -e '.[fuzz]'", file=sys.stderr)
        return 2
    with atheris.instrument_imports(include=["mbsniff"]):
        for part in ("mbsniff.capture", "mbsniff.exchange"):  # before anything else imports them
            importlib.import_module(part)
    _prepare(corpus)
    failures = corpus.with_name("failures")
    failures.mkdir(parents=True, exist_ok=True)
    options = [f"-max_total_time={round(60 * minutes)}", f"-max_len={_MOST_BYTES}", f"-timeout={_HANG_S}"]
    options += [f"-rss_limit_mb={_MEMORY_MB}", f"-artifact_prefix={failures}/"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one_input)
    atheris.Fuzz()
    return 0


def _prepare(corpus: Path) -> None:
    from tests.fuzz.cases import case_of

    corpus.mkdir(parents=True, exist_ok=True)
    if any(corpus.iterdir()):
        return
    for number in range(_FIRST_INPUTS):
        case = case_of(0, number)
        if not case.is_site:
            (corpus / f"first-{number}").write_bytes(case.files[0])


class _Input:
    """Stands in for standard input."""

    def __init__(self, data: bytes) -> None:
        self.buffer = io.BytesIO(data)


def one_input(data: bytes) -> None:
    """Read a capture uncompiled, whole and in small pieces: only the project's errors, and one answer."""
    whole = _read(data)
    packed = not data.startswith(
        (b"\x0a\x0d\x0d\x0a", b"\xd4\xc3", b"\xa1\xb2", b"\x4d\x3c", b"\xa1\xb2", b"\x1f\x8b")
    )
    pieces = whole if packed else _read(data, block_bytes=64, batch_rows=3)
    if whole != pieces:
        raise AssertionError(f"in pieces: {pieces}\nwhole: {whole}")


def _read(data: bytes, **sizes: int) -> tuple[str, ...]:
    from mbsniff.capture import open_recording
    from mbsniff.errors import MbsniffError
    from mbsniff.exchange import Exchange, read_exchange

    before, sys.stdin = sys.stdin, _Input(data)  # type: ignore[assignment]
    try:
        with open_recording(["-"], **sizes) as recording:  # type: ignore[arg-type]
            exchange, facts = read_exchange(recording, compiled=False)
    except MbsniffError as error:
        return (str(error),)
    finally:
        sys.stdin = before
    columns = (getattr(exchange, name) for name in Exchange.__dataclass_fields__)
    return (
        str(facts.counters),
        str(facts.files),
        *(repr(getattr(c, "tolist", lambda c=c: c)()) for c in columns),
    )
