"""The rows of a batch in, rows of plain frames out: each hidden frame replaced by the one within it, in its place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import CAPTURED, LINK, POSITION, TIME_NS
from mbsniff.compiled import is_ready
from mbsniff.wire.ip import FRAGMENT, ROUTING
from mbsniff.wire.link import LINK_NOTHING, LINK_RAW
from mbsniff.wire.unwrap import layers
from mbsniff.wire.unwrap import peel as p
from mbsniff.wire.unwrap.fragments import Reassembly
from mbsniff.wire.unwrap.packets import at_its_end, fragment_at
from mbsniff.wire.unwrap.redundancy import DUPLICATE_COLUMNS, DUPLICATE_ROWS

Bytes = NDArray[np.uint8]
Columns = NDArray[np.int64]
Frame = tuple[bytes, int, int]
"""Recorded bytes, bytes on the wire, link type."""

MOST_STEPS = 8  # times that one frame may need Python
SOON_COMPILED = 20_000  # rows after which compiling the loop is worth its time


class Unwrapper:
    """Finds the plain frames within hidden ones; carries fragments and what it counts from batch to batch."""

    def __init__(self, *, compiled: bool) -> None:
        self._compiled = compiled
        self._rows_walked = 0
        self._counts = np.zeros(layers.COUNTS, np.int64)
        self._seen = np.empty((0, DUPLICATE_COLUMNS), np.int64)  # made once there is something to see
        self._job = np.zeros(p.JOB_COLUMNS, np.int64)
        self._reassembly = Reassembly()

    def reveal(self, data: Bytes, rows: Columns, first: int) -> tuple[Bytes, Columns]:
        """The batch with its rows from ``first`` on plain: (data, rows), both new, as many rows as before.

        A frame in which nothing is found keeps its row, with the link type LINK_NOTHING. Frames that had to be put
        together lie behind the others in the new data; all others stay where they are within their frame.
        """
        if not len(self._seen):
            self._seen = np.full((DUPLICATE_ROWS, DUPLICATE_COLUMNS), -1, np.int64)
        rows = rows.copy()
        made: list[tuple[int, NDArray[np.int64], bytes]] = []
        self._rows_walked += len(rows) - first
        compiled = self._compiled and (self._rows_walked > SOON_COMPILED or is_ready("peel_frames"))
        i = first
        while (i := self._peel(data, rows, i, compiled)) < len(rows):
            settled = self._settle(data, rows[i], compiled)
            rows[i, LINK] = LINK_NOTHING
            if settled is not None:
                made.append((i, *settled))
            i += 1
        return self._joined(data, rows, made) if made else (data, rows)

    @property
    def seen_through(self) -> dict[str, int]:
        """Frames by layer that they were found below, those met only."""
        return {name: n for name, n in zip(layers.SEEN_THROUGH, self._counts.tolist(), strict=False) if n}

    @property
    def not_seen_through(self) -> dict[str, int]:
        """Frames by what keeps their content from being read, those met only."""
        counts = self._counts.tolist()
        counts[layers.S_OVERLAP] = self._reassembly.contradicting
        return {name: counts[column] for column, name in layers.NOT_SEEN_THROUGH.items() if counts[column]}

    @property
    def fragments_left(self) -> int:
        """Fragments that did not become part of a whole packet, so far."""
        fragments = self._reassembly
        return fragments.seen - fragments.used - fragments.contradicting

    @property
    def copies(self) -> int:
        """Frames that the network or the mirror delivered before, and that were dropped here."""
        return int(self._counts[layers.S_COPIES]) + self._reassembly.copies

    def _peel(self, data: Bytes, rows: Columns, first: int, compiled: bool) -> int:
        return int(p.peel_frames(data, rows, first, self._counts, self._seen, self._job, compiled=compiled))

    def _settle(self, data: Bytes, row: Columns, compiled: bool) -> tuple[Columns, bytes] | None:
        """Do what the loop left to Python, until the frame is plain: its row and the bytes it lies in, or None."""
        start = int(row[POSITION])
        frame = data[start : start + int(row[CAPTURED])].tobytes()
        self._job[p.J_IP :] -= start
        time_ns, link = int(row[TIME_NS]), int(row[LINK])
        for _ in range(MOST_STEPS):
            found = self._one_step(frame, time_ns, link)
            if found is None:
                return None
            frame, size, link = found
            own = np.frombuffer(bytearray(frame), np.uint8)
            plain = np.array([[0, len(frame), max(size, len(frame)), time_ns, link]], np.int64)
            if self._peel(own, plain, 0, compiled) == 1:
                return plain[0], frame
        self._counts[layers.S_DEEP] += 1
        return None

    def _one_step(self, frame: bytes, time_ns: int, link: int) -> Frame | None:
        kind, ip, at, end, wire_end = self._job.tolist()
        if kind == ROUTING:
            self._counts[layers.L_ROUTING] += 1
            packet = at_its_end(frame, ip, at, end)
            return packet, wire_end - ip, LINK_RAW
        if kind == FRAGMENT:
            self._counts[layers.L_FRAGMENTS] += 1
            whole = self._reassembly.take(fragment_at(frame, ip, at, end, wire_end), time_ns)
            return (whole.packet, whole.size, LINK_RAW) if whole else None
        return self._by_scapy(layers.FOREIGN - kind, link, frame[at:end], wire_end - end)

    def _by_scapy(self, number: int, link: int, data: bytes, cut_bytes: int) -> Frame | None:
        """What scapy finds; damaged layers give an empty packet, which counts as undecodable."""
        from mbsniff.wire.unwrap.by_scapy import EncryptedError, inner_frame

        try:
            inner = inner_frame(number, link, data)
        except EncryptedError:
            self._counts[layers.S_WIRELESS] += 1
            return None
        except Exception:  # a hostile frame can make a dissector raise anything
            return b"", 1, LINK_RAW
        if inner is None:
            return None
        self._counts[layers.L_FOREIGN] += 1
        return inner.data, len(inner.data) + cut_bytes, inner.link

    def _joined(
        self, data: Bytes, rows: Columns, made: list[tuple[int, Columns, bytes]]
    ) -> tuple[Bytes, Columns]:
        """The frames' own stretch of the data, and behind it the bytes that were put together."""
        low = int(rows[:, POSITION].min())
        high = int((rows[:, POSITION] + rows[:, CAPTURED]).max())
        rows[:, POSITION] -= low
        place = high - low
        parts = [data[low:high]]
        for i, row, frame in made:
            rows[i] = row
            rows[i, POSITION] += place
            place += len(frame)
            parts.append(np.frombuffer(frame, np.uint8))
        return np.concatenate(parts), rows
