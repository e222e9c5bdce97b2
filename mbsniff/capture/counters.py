"""What a reader has counted, as one value per file."""

from __future__ import annotations

from dataclasses import dataclass, field

_MAX_NOTES = 20


@dataclass(frozen=True)
class FileCounters:
    """What was read of one file. Times are int64 nanoseconds since the epoch, UTC; None means absent."""

    file: str
    """The name as given; "-" is standard input."""
    format: str
    """"pcap" or "pcapng"."""
    compressed: bool
    """Whether it is packed (gzip, xz, bzip2 or Zstandard)."""
    stored_bytes: int | None
    """Size of the file as it is stored, None for a pipe."""
    unread_bytes: int | None
    """Stored bytes behind the place where reading stopped, about; None where the size is not known."""
    frames: int
    captured_bytes: int
    """Bytes of all frames that the file holds."""
    original_bytes: int
    """Bytes that these frames had on the wire."""
    first_ns: int | None
    """Time of the first frame in the file; of this and the next, with what corrects the file's clock."""
    last_ns: int | None
    """Time of the last frame in the file (not the latest, should its times go back)."""
    cut_short_frames: int
    """Frames of which the recorder kept less than there was on the wire."""
    bad_times: int
    """Frames whose time is out of range (that of the frame before is used, where it cannot be expressed)."""
    untimed_frames: int
    """Frames in blocks that have no time; they take that of the frame before."""
    epb_dropcount: int | None
    """Frames that the recorder says it lost, added up over enhanced (and obsolete) packet blocks."""
    isb_ifdrop: int | None
    """Frames lost at the interfaces, from the last statistics of each."""
    isb_osdrop: int | None
    """Frames lost in the operating system, from the last statistics of each interface."""
    notes: list[str]
    """Warnings, such as where a damaged file stops being readable."""


@dataclass
class Notes:
    """The warnings about one file: each once, and only so many, whatever the file holds."""

    texts: list[str] = field(default_factory=list)
    left_out: int = 0

    def add(self, text: str) -> None:
        """Keep the warning, if it is new."""
        if text in self.texts:
            return
        if len(self.texts) < _MAX_NOTES:
            self.texts.append(text)
        else:
            self.left_out += 1

    def listed(self) -> list[str]:
        """All that were kept, and how many were not."""
        more = [f"{self.left_out} further warnings are left out"] if self.left_out else []
        return [*self.texts, *more]
