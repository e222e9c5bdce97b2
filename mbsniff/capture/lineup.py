"""What the user named in, opened captures out, each with its first frame; and what in folders is no capture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mbsniff.capture.names import Candidate, Skipped, candidates
from mbsniff.capture.opening import open_capture
from mbsniff.capture.reader import FileReader
from mbsniff.capture.source import EXPECTED, Source
from mbsniff.capture.spares import Spares
from mbsniff.errors import CaptureError

_PEEK_BYTES = 1 << 16


def line_up(names: Sequence[str], shifts_ns: Mapping[str, int], block_bytes: int) -> Lineup:
    """Open all captures that the names stand for; ``shifts_ns`` says what to add to times, by name as given.

    CaptureError where a file that the user named is no capture, where none is left, and for a shift of something else.
    """
    if not names:
        hint = 'Use "-" for standard input.'
        raise CaptureError("no capture is given", expected="at least one file", hint=hint)
    found, skipped = candidates([str(name) for name in names])
    _check_shifts(shifts_ns, found)
    lineup = Lineup(skipped, block_bytes, len(found) > 1)
    try:
        for candidate in found:
            reader = lineup.open(candidate)
            if reader is not None and (shift_ns := _shift_of(candidate, shifts_ns)) is not None:
                reader.shift(shift_ns)
                reader.shift_is_stated = True
        if not lineup.readers:
            raise _none(names, skipped)
    except BaseException:
        for reader in lineup.readers:
            reader.close()
        raise
    return lineup


class Lineup:
    """Opens captures one after the other and learns each one's first time."""

    def __init__(self, skipped: list[Skipped], block_bytes: int, several: bool) -> None:
        self.skipped = skipped
        self.readers: list[FileReader] = []
        self.spare_bytes = block_bytes
        """What is left of one block for all files together, 0 once they have more."""
        self._block_bytes = block_bytes
        self._several = several
        self._spares = Spares()

    def open(self, candidate: Candidate) -> FileReader | None:
        """Open a capture; where the user did not name it itself and it is none, note that and return None."""
        first_bytes = self.spare_bytes or min(self._block_bytes, _PEEK_BYTES)
        try:
            reader = open_capture(
                candidate.path, first_bytes, self._block_bytes, self._spares, self._refuse_twice
            )
        except CaptureError as error:
            if candidate.named:
                raise
            self.skipped.append(Skipped(candidate.path, error.what))
            return None
        self.readers.append(reader)
        ended = reader.window.at_end
        self.spare_bytes = max(self.spare_bytes - reader.window.read_bytes, 0) if ended else 0
        reader.peek()
        if self._several:
            reader.rest()
        else:
            reader.source.park()
        return reader

    def _refuse_twice(self, source: Source) -> None:
        for other in self.readers:
            if other.source.path == source.path or (
                source.identity and other.source.identity == source.identity
            ):
                what = f"it is named twice, also as {other.source.path}"
                raise CaptureError(what, file=source.name, hint="Its frames would count twice: name it once.")


def _shift_of(candidate: Candidate, shifts_ns: Mapping[str, int]) -> int | None:
    return shifts_ns.get(candidate.path, shifts_ns.get(candidate.given))


def _check_shifts(shifts_ns: Mapping[str, int], found: list[Candidate]) -> None:
    known = {name for candidate in found for name in (candidate.path, candidate.given)}
    for name in shifts_ns:
        if name not in known:
            what = "a clock offset is stated for it, but it is not among the captures"
            raise CaptureError(what, file=name, hint="Write its name as you wrote it among the captures.")


def _none(names: Sequence[str], skipped: list[Skipped]) -> CaptureError:
    """The error for folders and patterns in which no file is a capture."""
    count = len(skipped)
    what = f"none of the {count:,} files is a capture" if count > 1 else "the one file is no capture"
    what += f" ({skipped[0].file}: {skipped[0].why})"
    return CaptureError(
        what, file=", ".join(map(str, names)), expected=EXPECTED, hint="Is it the right folder?"
    )
