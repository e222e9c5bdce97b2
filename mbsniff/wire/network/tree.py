"""A bridge protocol data unit in, news of a spanning tree out (IEEE 802.1D-2004, 9.3)."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Bytes, Columns, u16, u48
from mbsniff.wire.network.place import put_ipv4
from mbsniff.wire.network.rows import (
    NOTHING,
    R_ADDRESS,
    R_AMOUNT,
    R_MAC,
    R_TARGET,
    R_TARGET_MAC,
    TREE_HELLO,
    TREE_NEWS,
)
from mbsniff.wire.network.seen import fold, print_bytes

LLC = 3  # bytes of the LLC header: 42 42 03 (IEEE 802.1D-2004, 7.12.3)
BRIDGE_SAP = 0x42
_CONFIGURATION, _RAPID, _CHANGE = 0x00, 0x02, 0x80  # types, 9.3.1 to 9.3.3
_CONFIGURATION_BYTES = 35
CHANGE_FLAGS = 0x81  # topology change, and the acknowledgement of a notification
_ROLE = 0x0C  # 9.3.3: flags, bits 3 and 4

# The table of senders: what each one's last hello said.
TREE_SENDERS = 256  # a power of two
S_SENDER = 0
S_SAYS = 1
TREE_COLUMNS = 2


@rare
def is_tree(data: Bytes, at: int, end: int) -> bool:
    """Whether LLC at ``at`` carries a BPDU: both service access points, unnumbered information, protocol 0."""
    return (
        end - at >= LLC + 4 and u16(data, at) == BRIDGE_SAP << 8 | BRIDGE_SAP
        and data[at + 2] == 0x03 and u16(data, at + 3) == 0
    )  # fmt: skip


@rare
def read_tree(data: Bytes, at: int, end: int, out: Columns, row: int) -> int:
    """Fill a row from the LLC header at ``at``: TREE_NEWS where the tree changes, else TREE_HELLO, or NOTHING."""
    at += LLC
    put_ipv4(out, row, R_ADDRESS, 0)
    put_ipv4(out, row, R_TARGET, 0)
    out[row, R_TARGET_MAC] = -1
    kind = data[at + 3] & 0xFF
    if kind == _CHANGE:
        out[row, R_AMOUNT] = _CHANGE << 8
        return TREE_NEWS
    if (kind != _CONFIGURATION and kind != _RAPID) or end - at < _CONFIGURATION_BYTES:
        return NOTHING
    flags = data[at + 4] & 0xFF
    out[row, R_TARGET_MAC] = u48(data, at + 7)
    out[row, R_AMOUNT] = kind << 8 | flags
    return TREE_NEWS if flags & CHANGE_FLAGS else TREE_HELLO


@rare
def read_hello(data: Bytes, at: int, senders: Columns, out: Columns, row: int) -> int:
    """TREE_HELLO where the BPDU of `read_tree` says another root, role or port than its sender's last, else NOTHING."""
    at += LLC
    kind = data[at + 3] & 0xFF
    if kind == _CHANGE:
        return NOTHING
    role = data[at + 4] & _ROLE if kind == _RAPID else 0
    port = u16(data, at + 25)
    says = fold(
        fold(print_bytes(data, at + 5, at + 13), print_bytes(data, at + 17, at + 25)), port << 8 | role
    )
    sender = out[row, R_MAC]
    place = fold(7, sender) & (TREE_SENDERS - 1)
    if senders[place, S_SENDER] == sender and senders[place, S_SAYS] == says:
        return NOTHING
    senders[place, S_SENDER] = sender
    senders[place, S_SAYS] = says
    out[row, R_AMOUNT] = role >> 2 << 32 | port << 16 | u16(data, at + 5)
    return TREE_HELLO
