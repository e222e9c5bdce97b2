"""The bytes of one PDU in, its fields one after another out; a field that is not there ends the reading."""

from __future__ import annotations

from typing import Any, Final

# Addresses have 16 bits (MODBUS Application Protocol Specification V1.1b3, 4.4).
ADDRESSES: Final = 65536


class PduTooShortError(ValueError):
    """The PDU ends within a field; never leaves this folder, what was read before is kept."""


class ValueReader:
    """Takes fields off a PDU, most significant byte first, and collects what is decoded.

    ``fields`` are the arguments of the ``Pdu`` to be; ``trouble`` the first fault found.
    """

    def __init__(self, pdu: bytes) -> None:
        self.pdu = pdu
        self.at = 1
        self.fields: dict[str, Any] = {}
        self.trouble: str | None = None

    @property
    def left(self) -> int:
        """Bytes not taken yet."""
        return len(self.pdu) - self.at

    def blame(self, trouble: str) -> None:
        """Note a fault, unless one was found before."""
        self.trouble = self.trouble or trouble

    def take(self, count: int, what: str) -> bytes:
        """Take ``count`` bytes. Raises PduTooShortError where fewer are left."""
        if self.left < count:
            self.blame(f"ends within its {what}: {count} bytes are due there, {self.left} are left")
            raise PduTooShortError
        self.at += count
        return self.pdu[self.at - count : self.at]

    def number(self, width: int, what: str) -> int:
        """Take a number of ``width`` bytes."""
        return int.from_bytes(self.take(width, what), "big")

    def byte(self, what: str) -> int:
        """Take one byte."""
        return self.number(1, what)

    def word(self, what: str) -> int:
        """Take two bytes."""
        return self.number(2, what)

    def rest(self) -> bytes:
        """Take all that is left."""
        return self.take(self.left, "data")

    def registers(self, count: int, what: str) -> tuple[int, ...]:
        """Take ``count`` registers."""
        data = self.take(2 * count, what)
        return tuple(int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2))

    def bits(self, count: int, what: str) -> tuple[bool, ...]:
        """Take ``count`` bits in whole bytes, the lowest bit of the first byte first (6.1)."""
        data = self.take((count + 7) // 8, what)
        return tuple(bool(data[i // 8] >> i % 8 & 1) for i in range(count))

    def range(self, most: int | None, what: str = "quantity") -> tuple[int, int]:
        """Take a start address and a quantity of 1 to ``most``."""
        start = self.word("start address")
        quantity = self.word(what)
        if most is not None and not 1 <= quantity <= most:
            self.blame(f"{what} {quantity} is outside 1..{most}")
        elif start + quantity > ADDRESSES:
            self.blame(f"addresses {start}..{start + quantity - 1} reach past 65535")
        return start, quantity

    def byte_count(self, due: int | None = None) -> int:
        """Take a byte count; it should be ``due``, and what follows should have that many bytes."""
        count = self.byte("byte count")
        if due is not None and count != due:
            self.blame(f"byte count {count} where {due} is due")
        if count != self.left:
            self.blame(f"byte count {count}, but {self.left} bytes follow")
        return count

    def end(self) -> None:
        """Nothing may follow."""
        if self.left:
            self.blame(f"{self.left} bytes too many")
