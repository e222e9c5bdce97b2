"""A Device → what its site file leaves open or should be looked at again, in words."""

from __future__ import annotations

from collections.abc import Callable

from mbsniff.site.limits import Device
from mbsniff.site.register import BITS

_MISSING: tuple[tuple[str, Callable[[Device], bool], str], ...] = (
    ("watchdog_s", lambda d: d.limits.watchdog_ns is None, "whether its watchdog was due"),
    ("on_loss", lambda d: d.limits.on_loss is None, "what a due watchdog does to its output"),
    ("tolerable_outage_s", lambda d: d.limits.tolerable_outage_ns is None, "how long the process bears it"),
    ("max_block", lambda d: d.limits.max_block is None, "the length of reads"),
    ("max_reads_per_s", lambda d: d.limits.max_reads_per_s is None, "the number of reads"),
    ("masters", lambda d: d.limits.masters is None, "who talks to it"),
    ("writers", lambda d: d.limits.writers is None, "who writes to it"),
    ("register", lambda d: not d.registers, "reads and writes of unknown registers, and values"),
    (
        "watchdog_register",
        lambda d: d.limits.watchdog_register is None,
        "whether the timeout is really set so",
    ),
    ("status_register", lambda d: d.limits.status_register is None, "whether it really fell back"),
)
OPEN_KEYS = {key: meaning for key, _, meaning in _MISSING}
"""Key: what nobody can tell, or judge, as long as it is open."""


def open_keys(device: Device) -> tuple[str, ...]:
    """The keys of ``OPEN_KEYS`` that neither the device nor its family nor the defaults state."""
    return tuple(key for key, is_open, _ in _MISSING if is_open(device))


def second_looks(device: Device) -> list[str]:
    """What is allowed and still looks wrong: sentences without the device's name."""
    limits = device.limits
    outage_ns, watchdog_ns = limits.tolerable_outage_ns, limits.watchdog_ns
    looks = (
        (
            outage_ns is not None and watchdog_ns is not None and outage_ns < watchdog_ns,
            "watchdog_s is longer than tolerable_outage_s: the process is without control too long before it trips",
        ),
        (
            limits.status_register is not None and limits.status_tripped is None,
            "status_register is given without status_tripped, so that nothing can be told from it",
        ),
        (
            watchdog_ns == 0 and limits.on_loss is not None,
            "on_loss is given although the watchdog never trips (watchdog_s = 0)",
        ),
        (
            limits.max_block is not None
            and any(r.words > limits.max_block for r in device.registers if r.table not in BITS),
            "max_block is 1 although some values take two registers, so that they can be read torn apart",
        ),
    )
    return [text for wrong, text in looks if wrong]
