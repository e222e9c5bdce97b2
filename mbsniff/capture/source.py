"""A path in, its bytes out: opens files, pipes and standard input, and says clearly what cannot be opened."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path
from typing import Any

from mbsniff.capture.packings import Packing, packing_of
from mbsniff.errors import CaptureError

STANDARD_INPUT = "-"
EXPECTED = "a pcap or pcapng capture, plain or packed with gzip, xz, bzip2 or Zstandard"


class Source:
    """The bytes of one input, read from front to back.

    Only a regular file that was parked is ever sought in, so pipes and standard input work alike.
    """

    def __init__(self, path: str) -> None:
        """Open the path (or standard input, for "-"); CaptureError if that fails."""
        self.path = path
        self.name = "standard input" if path == STANDARD_INPUT else path
        self.trouble: str | None = None
        """Why reading stopped before the end, if it did."""
        self.consumed_bytes = 0
        self._ahead = b""
        self._raw: Any = _standard_input() if path == STANDARD_INPUT else _opened(path)
        facts = _facts(self._raw)
        self.parkable = path != STANDARD_INPUT and facts is not None and stat.S_ISREG(facts.st_mode)
        """Whether it is a file that can be opened again where reading was."""
        regular = facts is not None and stat.S_ISREG(facts.st_mode)
        self.size_bytes: int | None = facts.st_size if facts and regular else None
        self.identity = (facts.st_dev, facts.st_ino) if facts and regular else None
        """Equal for two names of one file; None where that cannot be told."""

    def peek(self, size_bytes: int) -> bytes:
        """The next bytes, up to so many, which later reads give again."""
        while len(self._ahead) < size_bytes:
            piece = bytearray(size_bytes - len(self._ahead))
            got = self._read(memoryview(piece))
            if not got:
                break
            self._ahead += piece[:got]
        return self._ahead[:size_bytes]

    def readinto(self, view: memoryview) -> int:
        """Read into the view as much as comes at once; 0 at the end, or at trouble."""
        if self._ahead:
            got = min(len(view), len(self._ahead))
            view[:got] = self._ahead[:got]
            self._ahead = self._ahead[got:]
        else:
            got = self._read(view)
        self.consumed_bytes += got
        return got

    def park(self) -> None:
        """Give a regular file's handle back; the next read opens it again where it was."""
        if self.parkable:
            self.close()

    def close(self) -> None:
        """Close the file; standard input stays open."""
        if self._raw is not None and self.path != STANDARD_INPUT:
            self._raw.close()
            self._raw = None

    def _read(self, view: memoryview) -> int:
        try:
            if self._raw is None:
                self._raw = Path(self.path).open("rb", buffering=0)  # noqa: SIM115 - closed by close()
                self._raw.seek(self.consumed_bytes + len(self._ahead))
            got = self._raw.readinto(view)
        except OSError as error:
            self.trouble = f"reading failed: {error.strerror or error}"
            return 0
        if got is None:
            self.trouble = "reading failed: the input is set not to wait for data"
        return got or 0


def _facts(raw: Any) -> os.stat_result | None:
    try:
        return os.fstat(raw.fileno())
    except (OSError, ValueError, AttributeError):  # an object that stands in for a file
        return None


def _opened(path: str) -> Any:
    hint = "Check the name, and the folder that it is looked for in."
    try:
        if Path(path).is_dir():
            raise CaptureError(
                "this is a folder", file=path, expected=EXPECTED, hint="Name the captures in it."
            )
        return Path(path).open("rb", buffering=0)
    except FileNotFoundError:
        raise CaptureError("there is no such file", file=path, expected=EXPECTED, hint=hint) from None
    except PermissionError:
        hint = "Ask its owner for the right to read it, or copy it to a place of your own."
        raise CaptureError("this user may not read it", file=path, expected=EXPECTED, hint=hint) from None
    except ValueError:
        raise CaptureError("this cannot be a file's name", file=repr(path), hint=hint) from None
    except OSError as error:
        if isinstance(error, CaptureError):
            raise
        what = f"it cannot be opened ({error.strerror or error})"
        raise CaptureError(what, file=path, expected=EXPECTED, hint=hint) from None


def _standard_input() -> Any:
    buffered = getattr(sys.stdin, "buffer", None)
    hint = "Pipe one in, or name a file."
    if buffered is None:
        raise CaptureError("it is closed", file="standard input", expected=EXPECTED, hint=hint)
    if buffered.isatty():
        raise CaptureError("it is the keyboard", file="standard input", expected=EXPECTED, hint=hint)
    return getattr(buffered, "raw", buffered)


def not_a_capture(
    name: str, head: bytes, packing: Packing | None, trouble: str | None = None
) -> CaptureError:
    """The error for an input that begins with ``head`` (unpacked, if it was packed) and is no capture."""
    hint = "Give the recording as the recorder wrote it."
    if packing:
        what = f"what is in this {packing.name} file is no capture: it begins with {_described(head)}"
        if not head:
            why = f" that can be unpacked ({trouble})" if trouble else ""
            what = f"this {packing.name} file holds nothing{why}"
    elif not head:
        what = f"nothing could be read ({trouble})" if trouble else "it is empty"
        hint = "Was the recorder stopped before it wrote anything?"
    else:
        what = f"it is no capture: it begins with {_described(head)}"
    inner = packing_of(head)
    kind = f"{inner.name} inside {packing.name}" if inner and packing else _archive(head)
    if kind:
        hint = f"It looks like {kind}: unpack it first."
    return CaptureError(what, file=name, expected=EXPECTED, hint=hint)


_ARCHIVES = {  # how each format's own specification begins it
    b"PK\x03\x04": "a ZIP archive",
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"\x04\x22\x4d\x18": "an LZ4 file",
}


def _archive(head: bytes) -> str | None:
    return next((kind for magic, kind in _ARCHIVES.items() if head.startswith(magic)), None)


def _described(head: bytes) -> str:
    line = head[:40].splitlines()[0] if head.strip() else b""
    if len(line) >= 4 and all(32 <= byte < 127 for byte in line):
        return f'the text "{line.decode("ascii")}"'
    return f"the bytes {head[:8].hex(' ')}"
