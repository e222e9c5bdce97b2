"""A Site in, the page of `mbsniff site --check` out: what is stated for each device, and what is still open."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.diagnose.wording import counted, duration, listed
from mbsniff.errors import one_line
from mbsniff.report.table import ruled, wrapped
from mbsniff.site import Device, Site
from mbsniff.site.openings import OPEN_KEYS, open_keys, second_looks

NONE = "-"
_MOST_NAMES = 6
CAUTION = (
    "Limits come from the device's documentation and from its configuration as set on site; one that nobody looked up "
    "is better left open than guessed. A longer watchdog is more time during which nobody controls what can hurt "
    "people: how long that may be is for the owner of the process to decide, under local codes."
)


@dataclass(frozen=True)
class _Column:
    title: str
    cell: Callable[[Device], str]
    rank: int
    """Which go first where the terminal is narrow (the highest)."""
    right: bool = False


def _called(device: Device) -> str:
    host = f"[{device.address}]" if ":" in device.address else device.address
    port = "" if device.port == 502 else f":{device.port}"
    units = f"/{','.join(map(str, device.units))}" if device.units else ""
    where = f"{host}{port}{units}"
    return f"{one_line(device.name)} {where}" if device.name else where


def _length(ns: int | None, zero: str = "0 s") -> str:
    return NONE if ns is None else zero if ns == 0 else duration(ns)


def _count(value: float | None) -> str:
    return NONE if value is None else f"{value:g}"


def _number(names: tuple[str, ...] | None) -> str:
    return NONE if names is None else str(len(names))


_COLUMNS = (
    _Column("device", _called, 0),
    _Column("family", lambda d: one_line(d.family) if d.family else NONE, 8),
    _Column("trips after", lambda d: _length(d.limits.watchdog_ns, "never"), 1, right=True),
    _Column("on loss", lambda d: d.limits.on_loss or NONE, 4),
    _Column("tolerable outage", lambda d: _length(d.limits.tolerable_outage_ns), 6, right=True),
    _Column("most registers", lambda d: _count(d.limits.max_block), 2, right=True),
    _Column("reads a second", lambda d: _count(d.limits.max_reads_per_s), 3, right=True),
    _Column("masters", lambda d: _number(d.limits.masters), 7, right=True),
    _Column("writers", lambda d: _number(d.limits.writers), 9, right=True),
    _Column("registers declared", lambda d: str(sum(r.count for r in d.registers)), 5, right=True),
)


def site_page(site: Site, width: int) -> str:
    """What the site file states, one row a device, and what it leaves open."""
    parts = [wrapped(_head(site), width, "  ")]
    if site.devices:
        parts.append(_table(site, width))
    parts.append("\n".join(wrapped(line, width, "  ") for line in _open(site)))
    looks = [f"Look again at {_called(d)}: {text}." for d in site.devices for text in second_looks(d)]
    parts.append("\n".join(wrapped(line, width, "  ") for line in looks))
    parts.append(wrapped(CAUTION, width) if site.devices else "")
    return "\n\n".join(part for part in parts if part) + "\n"


def _head(site: Site) -> str:
    counts = [
        counted(len(site.masters), "master"),
        counted(len(site.families), "family", "families"),
        counted(len(site.devices), "device"),
    ]
    text = f"{one_line(site.path or 'site')}: no errors. {', '.join(counts)}."
    return text if site.devices else f"{text} Without devices only its defaults are used."


def _table(site: Site, width: int) -> str:
    columns = list(_COLUMNS)
    while True:
        rows = [[column.cell(device) for column in columns] for device in site.devices]
        text = ruled([(column.title, column.right) for column in columns], rows)
        if max(map(len, text.splitlines())) <= width or len(columns) <= 3:
            return text
        columns.remove(max(columns, key=lambda c: c.rank))


def _open(site: Site) -> list[str]:
    """A line for each key that is open, with the devices where it is."""
    missing: dict[str, list[str]] = defaultdict(list)
    for device in site.devices:
        for key in open_keys(device):
            missing[key].append(one_line(device.name) if device.name else _called(device))
    if not missing:
        return ["Nothing is left open."] if site.devices else []
    lines = ["Still open, and therefore not judged:"]
    for key, meaning in OPEN_KEYS.items():
        names = missing.get(key, [])
        where = "everywhere" if len(names) == len(site.devices) else f"at {listed(names, _MOST_NAMES)}"
        lines += [f"  {key}, {where}: {meaning}."] if names else []
    return lines
