"""Masters that read a device at given periods in, the figures of the recording out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mbsniff.measure import Figures
from mbsniff.site import Device, Limits, Master, Register, Site
from tests.builders.measured import figures_of, poll
from tests.builders.plant import Plant

PLC, STATION = "192.0.2.10", "192.0.2.20"
SECOND = 10**9


@dataclass(frozen=True)
class Asked:
    """One cyclic request."""

    master: str
    first: int
    count: int
    period_s: float
    function: int = 3
    refused: int = 0
    """Exception code of all its replies; 0: none."""
    from_s: float = 0.0
    unit: int = 1
    until_s: float = 30.0


def recorded(asked: Sequence[Asked], site: Site | None = None) -> Figures:
    """Half a minute at 192.0.2.50:502: each answered after 4 ms, each poll on a connection of its own."""
    plant = Plant()
    for number, each in enumerate(asked):
        connection = plant.connection(master=(each.master, 50_000 + number), device=("192.0.2.50", 502))
        count = int((each.until_s - each.from_s) / each.period_s)
        times = [1 + each.from_s + number * 0.013 + n * each.period_s for n in range(count)]
        poll(connection, times, request=_request(each), reply=_reply(each), reply_s=0.004, unit=each.unit)
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    return figures_of(plant, site, until_s=40)


def _request(each: Asked) -> bytes:
    body = each.first.to_bytes(2, "big") + each.count.to_bytes(2, "big")
    return bytes([each.function]) + body


def _reply(each: Asked) -> bytes:
    if each.refused:
        return bytes([0x80 | each.function, each.refused])
    if each.function == 6:
        return _request(each)
    size = (each.count + 7) // 8 if each.function in (1, 2) else 2 * each.count
    return bytes([each.function, size]) + bytes(size)


def site_of(
    *registers: Register,
    max_block: int | None = 16,
    max_reads_per_s: float | None = None,
    watchdog_s: float | None = None,
    masters: tuple[str, ...] | None = None,
) -> Site:
    """A site with the two masters and one device with these limits and registers."""
    watchdog_ns = None if watchdog_s is None else round(watchdog_s * SECOND)
    limits = Limits(
        watchdog_ns=watchdog_ns, max_block=max_block, max_reads_per_s=max_reads_per_s, masters=masters
    )
    device = Device("zone", "192.0.2.50", units=(1,), limits=limits, registers=registers)
    return Site(masters=(Master("plc", (PLC,)), Master("station", (STATION,))), devices=(device,))
