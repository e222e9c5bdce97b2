"""A TCP connection's addresses and ports in, its index out: open addressing over a seeded hash.

Keys are eight int64 a connection: version and ports, then the addresses in words of at most 48 bits.
The hash sums 16-bit limbs of the key times random 31-bit multipliers modulo 2**31 - 1, so that nobody
who does not know the seed can choose addresses that collide, and nothing leaves int64.
"""

from __future__ import annotations

import os
from ipaddress import IPv4Address, IPv6Address

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import helper, rare
from mbsniff.wire.link import IPV4
from mbsniff.wire.load import Bytes, Columns, u32, u48
from mbsniff.wire.state import C_CONNECTIONS, HEARD, SERIAL, STATE_COLUMNS

# Columns of the key table.
K_PORTS = 0  # UDP_KEY, IP version << 32 | client's port << 16 | server's port
K_CLIENT = 1  # IPv4 address, or its first 48 bits
K_SERVER = 2
K_CLIENT_2 = 3  # the next 48 bits (IPv6)
K_SERVER_2 = 4
K_CLIENT_3 = 5  # the last 32 bits (IPv6)
K_SERVER_3 = 6
KEY_COLUMNS = 8

LIMBS = 18
MOST_PROBES = 64
MODULUS = (1 << 31) - 1
_LEAST_MULTIPLIER = 1 << 20

RECENT = 4096  # a power of two
UDP_KEY = 1 << 40  # set in K_PORTS where it is no TCP connection but datagrams between the same two ends
SPREAD = 0x61C88647  # 2**32 over the golden ratio squared: neighbouring ports come to lie apart

FULL = -1  # what `connection_index` answers where the tables must grow or be seeded anew


def seeded_multipliers() -> NDArray[np.int64]:
    """Random multipliers below 2**31, shape (LIMBS,)."""
    drawn = (
        np.frombuffer(os.urandom(8 * LIMBS), np.int64) & (1 << 62) - 1
    )  # quicker than loading numpy.random
    return drawn % (MODULUS - _LEAST_MULTIPLIER) + _LEAST_MULTIPLIER


@helper
def write_key(keys: Columns, row: int, data: Bytes, ip: int, version: int, ports: int, client: int) -> None:
    """Fill the key at ``row`` from an IP header; ``client`` is 0 where the sender is the client, else 1."""
    keys[row, K_PORTS] = version << 32 | ports
    if version == IPV4:
        source = ip + 12 + 4 * client
        server = ip + 16 - 4 * client
        keys[row, K_CLIENT] = u32(data, source)
        keys[row, K_SERVER] = u32(data, server)
        keys[row, K_CLIENT_2] = 0
        keys[row, K_SERVER_2] = 0
        keys[row, K_CLIENT_3] = 0
        keys[row, K_SERVER_3] = 0
    else:
        source = ip + 8 + 16 * client
        server = ip + 24 - 16 * client
        keys[row, K_CLIENT] = u48(data, source)
        keys[row, K_SERVER] = u48(data, server)
        keys[row, K_CLIENT_2] = u48(data, source + 6)
        keys[row, K_SERVER_2] = u48(data, server + 6)
        keys[row, K_CLIENT_3] = u32(data, source + 12)
        keys[row, K_SERVER_3] = u32(data, server + 12)


@helper
def recent_place(source: int, target: int, ports: int) -> int:
    """Where in the table of recently met connections one may stand; cheap, and nothing depends on its quality."""
    return (source ^ target ^ ports) * SPREAD >> 24 & (RECENT - 1)


@helper
def is_ipv4_key(keys: Columns, row: int, ports: int, client: int, server: int) -> bool:
    """Whether the key at ``row`` has these ports and IPv4 addresses."""
    return (
        keys[row, K_PORTS] == IPV4 << 32 | ports
        and keys[row, K_CLIENT] == client
        and keys[row, K_SERVER] == server
    )


@helper
def same_key(keys: Columns, a: int, b: int) -> bool:
    """Whether two rows of the key table name the same connection."""
    return (
        keys[a, K_PORTS] == keys[b, K_PORTS]
        and keys[a, K_CLIENT] == keys[b, K_CLIENT]
        and keys[a, K_SERVER] == keys[b, K_SERVER]
        and keys[a, K_CLIENT_2] == keys[b, K_CLIENT_2]
        and keys[a, K_SERVER_2] == keys[b, K_SERVER_2]
        and keys[a, K_CLIENT_3] == keys[b, K_CLIENT_3]
        and keys[a, K_SERVER_3] == keys[b, K_SERVER_3]
    )


@helper
def _limbs(value: int, multipliers: Columns, at: int) -> int:
    return (
        (value & 0xFFFF) * multipliers[at]
        + (value >> 16 & 0xFFFF) * multipliers[at + 1]
        + (value >> 32 & 0xFFFF) * multipliers[at + 2]
    )


@helper
def hash_key(keys: Columns, row: int, multipliers: Columns) -> int:
    """The seeded hash of a key, in [0, 2**31 - 1)."""
    total = _limbs(keys[row, K_PORTS], multipliers, 0)
    total += _limbs(keys[row, K_CLIENT], multipliers, 3)
    total += _limbs(keys[row, K_SERVER], multipliers, 6)
    if keys[row, K_CLIENT_3] | keys[row, K_SERVER_3] | keys[row, K_CLIENT_2] | keys[row, K_SERVER_2]:
        total += _limbs(keys[row, K_CLIENT_2], multipliers, 9)
        total += _limbs(keys[row, K_SERVER_2], multipliers, 12)
        total += (keys[row, K_CLIENT_3] & 0xFFFF) * multipliers[15]
        total += (keys[row, K_CLIENT_3] >> 16) * multipliers[16]
        total += (keys[row, K_SERVER_3] & 0xFFFF) * multipliers[17]
        total += (keys[row, K_SERVER_3] >> 16) * multipliers[0]
    return total % MODULUS


@helper
def connection_index(keys: Columns, slots: Columns, size: int, probe: int, mix: int) -> int:
    """Index of the connection whose key stands at row ``probe``; ``probe`` itself where it is new; or FULL.

    ``slots`` holds index + 1 and the upper bits of the hash, 0 where free; ``size`` is a power of two.
    """
    slot = mix & (size - 1)
    for _ in range(MOST_PROBES):
        entry = slots[slot]
        if entry == 0:
            slots[slot] = mix << 32 | (probe + 1)
            return probe
        if entry >> 32 == mix:
            found = (entry & 0xFFFFFFFF) - 1
            if same_key(keys, found, probe):
                return found
        slot = (slot + 1) & (size - 1)
    return FULL


@rare
def enter_connection(
    new: int, multipliers: Columns, keys: Columns, slots: Columns, state: Columns, carry: Columns
) -> int:
    """Index of the connection whose key stands at row ``new``, be it a new one; FULL where a table must grow."""
    c = connection_index(keys, slots, len(slots), new, hash_key(keys, new, multipliers))
    if c == new:
        carry[C_CONNECTIONS] = new + 1
        for column in range(STATE_COLUMNS):
            state[c, column] = -1
        state[c, HEARD] = 0
        state[c, SERIAL] = 0
    return c


@helper
def is_known(keys: Columns, slots: Columns, size: int, probe: int, mix: int) -> bool:
    """Whether the connection whose key stands at row ``probe`` was met before."""
    slot = mix & (size - 1)
    for _ in range(MOST_PROBES):
        entry = slots[slot]
        if entry == 0:
            return False
        if entry >> 32 == mix and same_key(keys, (entry & 0xFFFFFFFF) - 1, probe):
            return True
        slot = (slot + 1) & (size - 1)
    return False


def refill_slots(hashes: NDArray[np.int64], size: int) -> NDArray[np.int64] | None:
    """A slot table of ``size`` for connections 0, 1, … with these hashes; None where one probes too far."""
    slots = np.zeros(size, np.int64)
    for index, mix in enumerate(hashes.tolist()):
        slot = mix & (size - 1)
        for _ in range(MOST_PROBES):
            if not slots[slot]:
                slots[slot] = mix << 32 | (index + 1)
                break
            slot = (slot + 1) & (size - 1)
        else:
            return None
    return slots


def hash_keys(keys: NDArray[np.int64], multipliers: NDArray[np.int64]) -> NDArray[np.int64]:
    """`hash_key` of every row of a key table, shape (connections,)."""
    limbs = []
    for column in (K_PORTS, K_CLIENT, K_SERVER, K_CLIENT_2, K_SERVER_2):
        limbs += [keys[:, column] & 0xFFFF, keys[:, column] >> 16 & 0xFFFF, keys[:, column] >> 32 & 0xFFFF]
    total = sum(limb * m for limb, m in zip(limbs, multipliers[:15].tolist(), strict=True))
    total += (keys[:, K_CLIENT_3] & 0xFFFF) * multipliers[15] + (keys[:, K_CLIENT_3] >> 16) * multipliers[16]
    total += (keys[:, K_SERVER_3] & 0xFFFF) * multipliers[17] + (keys[:, K_SERVER_3] >> 16) * multipliers[0]
    return np.asarray(total % MODULUS, np.int64)


def client_of(key: NDArray[np.int64]) -> tuple[str, int]:
    """(address, port) of the client of a key row."""
    return _address(key, K_CLIENT, K_CLIENT_2, K_CLIENT_3), int(key[K_PORTS]) >> 16 & 0xFFFF


def server_of(key: NDArray[np.int64]) -> tuple[str, int]:
    """(address, port) of the server of a key row."""
    return _address(key, K_SERVER, K_SERVER_2, K_SERVER_3), int(key[K_PORTS]) & 0xFFFF


def is_udp(key: NDArray[np.int64]) -> bool:
    """Whether a key row names datagrams, not a TCP connection."""
    return bool(key[K_PORTS] & UDP_KEY)


def _address(key: NDArray[np.int64], first: int, second: int, third: int) -> str:
    if int(key[K_PORTS]) >> 32 & 0xFF == IPV4:
        return str(IPv4Address(int(key[first])))
    whole = int(key[first]) << 80 | int(key[second]) << 32 | int(key[third])
    return str(IPv6Address(whole))
