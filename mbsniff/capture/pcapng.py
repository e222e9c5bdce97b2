"""A pcapng file in, its frames out (draft-ietf-opsawg-pcapng); here are the blocks that are not frames."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import state as s
from mbsniff.capture.counters import FileCounters
from mbsniff.capture.options import number, read_options
from mbsniff.capture.pcapng_walk import INTERFACE_DESCRIPTION, MAX_BLOCK_BYTES, walk_pcapng
from mbsniff.capture.reader import DamageError, FileReader
from mbsniff.capture.source import Source
from mbsniff.capture.ticks import INTERFACE_COLUMNS, interface_row
from mbsniff.capture.window import Window
from mbsniff.errors import CaptureError

_BYTE_ORDERS = {struct.pack(order + "I", 0x1A2B3C4D): order for order in "<>"}  # section 4.1
_SECTION_BYTES = 28  # section 4.1, without options
_INTERFACE_BYTES = 20  # section 4.2, without options
_STATISTICS_BYTES = 24  # section 4.6, without options
_MAJOR_VERSION = 1  # section 4.1
_TSRESOL, _TSOFFSET = 9, 14  # section 4.2: if_tsresol (8 bits), if_tsoffset (64 bits, signed)
_IFDROP, _OSDROP = 5, 7  # section 4.6: isb_ifdrop, isb_osdrop (64 bits)
_MAX_INTERFACES = 1 << 16


class PcapngReader(FileReader):
    """Frames of a pcapng file."""

    format = "pcapng"

    def __init__(self, source: Source, window: Window, compressed: bool, block_bytes: int) -> None:
        """Take the section header at the window's start; CaptureError if it is not sound."""
        super().__init__(source, window, compressed, block_bytes)
        self._order = "<"
        self._interfaces: NDArray[np.int64] = np.zeros((4, INTERFACE_COLUMNS), np.int64)
        self._section_drops: dict[tuple[int, int], int] = {}  # by option and interface
        self._earlier_drops: dict[int, int] = {}  # by option, over earlier sections
        expected = "a section header block of pcapng 1.x, then further blocks"
        try:
            complete = self._begin_section()
            while not complete and window.fill(self.at(s.NEED), block_bytes):
                complete = self._begin_section()
        except DamageError as damage:
            raise CaptureError(str(damage), file=source.name, expected=expected) from None
        if not complete:
            what = f"it ends within its first block, after {window.left} bytes"
            raise CaptureError(what, file=source.name, expected=expected, hint="Was it copied completely?")

    def _loop(self, compiled: bool) -> int:
        while True:
            arrays = self.window.data, self.rows, self._interfaces, self.state
            outcome = int(walk_pcapng(*arrays, compiled=compiled))
            self.window.start = self.at(s.AT)
            try:
                if outcome == s.SECTION and not self._begin_section():
                    return s.MORE
                if outcome == s.BLOCK:
                    self._take_block(self.at(s.NEED))
            except DamageError:
                if self.at(s.ROWS):  # take these first; the loop comes here again
                    return outcome
                raise
            if outcome not in (s.SECTION, s.BLOCK):
                return outcome
            self.state[s.AT] = self.window.start

    @property
    def place(self) -> str:
        """The block that the loop stands before."""
        return f"the block at byte {self.window.offset:,} (after frame {self.frames})"

    def _settle(self, outcome: int) -> None:
        if outcome != s.SKIP:
            super()._settle(outcome)
            return
        need = self.at(s.NEED)
        cut_off, differ = self._cut_off(), f"{self.place} gives its length differently before and after it"
        last = struct.pack(self._order + "I", need)
        if self.window.skip(need - len(last), self.block_bytes) < need - len(last):
            self._end(cut_off)
            return
        while self.window.left < len(last) and self.window.fill(len(last), self.block_bytes):
            pass
        if self.window.left < len(last):
            self._end(cut_off)
        elif self.window.head(len(last)) != last:
            raise DamageError(differ)
        else:
            self.window.start += len(last)

    def _begin_section(self) -> bool:
        """Take the section header at the window's start (section 4.1); False if it needs NEED bytes."""
        head = self.window.head(_SECTION_BYTES)
        self.state[s.NEED] = _SECTION_BYTES
        if len(head) < _SECTION_BYTES:
            return False
        order = _BYTE_ORDERS.get(head[8:12])
        if order is None:
            raise DamageError(f"{self.place} bears the unknown byte-order magic {head[8:12].hex(' ')}")
        length, _, major, minor = struct.unpack_from(order + "IIHH", head, 4)
        if major != _MAJOR_VERSION:
            raise DamageError(f"{self.place} begins a section of the unknown version {major}.{minor}")
        if not _SECTION_BYTES <= length <= MAX_BLOCK_BYTES or length & 3:
            raise DamageError(f"{self.place} has an impossible length, {length:,} bytes")
        self.state[s.NEED] = length
        if self.window.left < length:
            return False
        if self.window.head(length)[-4:] != struct.pack(order + "I", length):
            raise DamageError(f"{self.place} gives its length differently before and after it")
        self._order = order
        self.state[[s.BIG_ENDIAN, s.INTERFACES]] = order == ">", 0  # numbers restart, section 4.2
        self._close_section()
        self.window.start += length
        return True

    def _take_block(self, length: int) -> None:
        """Take the interface description or statistics at the window's start."""
        block = self.window.head(length - 4)
        kind = struct.unpack_from(self._order + "I", block)[0]
        if kind == INTERFACE_DESCRIPTION:
            self._describe_interface(block, length)
        else:
            self._take_statistics(block, length)
        self.window.start += length

    def _describe_interface(self, block: bytes, length: int) -> None:
        count = self.at(s.INTERFACES)
        if length < _INTERFACE_BYTES:
            raise DamageError(f"{self.place} has an impossible length, {length:,} bytes")
        if count >= _MAX_INTERFACES:
            raise DamageError(f"{self.place} describes the {count + 1:,}th interface of one section")
        link, _, snaplen = struct.unpack_from(self._order + "HHI", block, 8)
        options = self._options(block, _INTERFACE_BYTES - 4)
        resolution = number(options, _TSRESOL, 1, self._order)
        offset_s = number(options, _TSOFFSET, 8, self._order, signed=True)
        if count == len(self._interfaces):
            self._interfaces = np.concatenate([self._interfaces, np.zeros_like(self._interfaces)])
        self._interfaces[count] = interface_row(link, snaplen, resolution, offset_s or 0)
        self.state[s.INTERFACES] = count + 1

    def _take_statistics(self, block: bytes, length: int) -> None:
        if length < _STATISTICS_BYTES:
            raise DamageError(f"{self.place} has an impossible length, {length:,} bytes")
        interface = struct.unpack_from(self._order + "I", block, 8)[0]
        if interface >= self.at(s.INTERFACES):
            self.notes.add(f"{self.place} has statistics of interface {interface}, which is not described")
            return
        options = self._options(block, _STATISTICS_BYTES - 4)
        for code in (_IFDROP, _OSDROP):
            drops = number(options, code, 8, self._order)
            if drops is not None:  # counts since the recording began: the last one holds
                self._section_drops[code, interface] = drops

    def _options(self, block: bytes, start: int) -> dict[int, bytes]:
        options, sound = read_options(block, start, self._order)
        if not sound:
            self.notes.add(f"{self.place} has damaged options; those before the damage are used")
        return options

    def _drops(self, code: int) -> int | None:
        """Frames lost over all sections and interfaces, None where no statistics say so."""
        here = [drops for (of, _), drops in self._section_drops.items() if of == code]
        earlier = self._earlier_drops.get(code)
        return sum(here) + (earlier or 0) if here or earlier is not None else None

    def _close_section(self) -> None:
        for code in (_IFDROP, _OSDROP):
            drops = self._drops(code)
            if drops is not None:
                self._earlier_drops[code] = drops
        self._section_drops.clear()

    def counters(self) -> FileCounters:
        """What was counted so far, with the statistics blocks' losses."""
        return replace(super().counters(), isb_ifdrop=self._drops(_IFDROP), isb_osdrop=self._drops(_OSDROP))
