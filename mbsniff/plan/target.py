"""Figures and a Site in, the devices to plan for out: what is known of each of them, from wherever."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mbsniff.measure import DeviceFigures, Figures, PollFigures
from mbsniff.measure.groups import address_rank
from mbsniff.site import Device, Limits, Register, Site

# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 4.4.1.2: for a device addressed directly.
ADDRESSED_DIRECTLY = 0xFF
ANY_MASTER = "any master"
"""Stands for the master where neither the recording nor the site file knows one."""


@dataclass(frozen=True, eq=False)
class Target:
    """A device to plan for; each is equal to itself alone."""

    address: str
    port: int
    unit: int
    name: str | None
    limits: Limits
    registers: tuple[Register, ...]
    declared: Device | None
    figures: DeviceFigures | None
    """None where it is only declared."""
    exceptions: dict[int, dict[int, int]]
    """Rows of the poll table: exception code: how many."""

    @property
    def key(self) -> str:
        """Address, port and unit as one text: "192.0.2.51:502/1"."""
        if self.figures:
            return self.figures.key
        host = f"[{self.address}]" if ":" in self.address else self.address
        return f"{host}:{self.port}/{self.unit}"

    @property
    def polls(self) -> list[PollFigures]:
        """Its polls in the recording."""
        return self.figures.polls if self.figures else []

    def normal_replies(self, poll: PollFigures) -> int:
        """How many of the poll's requests were answered with what they asked for."""
        return poll.answered - sum(self.exceptions.get(poll.row, {}).values())

    def only_exceptions(self, poll: PollFigures) -> list[int]:
        """The codes of the exceptions that a poll got that never got what it asked for."""
        return [] if self.normal_replies(poll) > 0 else sorted(self.exceptions.get(poll.row, {}))

    def always_refused(self, poll: PollFigures, code: int) -> bool:
        """Whether the poll got that exception and never what it asked for."""
        return code in self.only_exceptions(poll)


def targets(figures: Figures | None, site: Site) -> list[Target]:
    """Every device that was regularly polled or has registers declared, by address, port and unit."""
    found = list(_recorded(figures, site)) if figures else []
    met = {(target.address, target.port, id(target.declared)) for target in found if target.declared}
    for device in site.devices:
        if (device.address, device.port, id(device)) in met or not device.registers:
            continue
        unit = device.units[0] if device.units else ADDRESSED_DIRECTLY
        place = (device.address, device.port, unit, device.name, device.limits, device.registers)
        found.append(Target(*place, declared=device, figures=None, exceptions={}))
    return sorted(found, key=lambda t: (address_rank(t.address), t.port, t.unit))


def _recorded(figures: Figures, site: Site) -> Iterator[Target]:
    for device in figures.devices:
        declared = site.device_for(device.address, device.port, device.units[0])
        if not device.regular and not (declared and declared.registers):
            continue
        yield Target(
            address=device.address,
            port=device.port,
            unit=_unit(figures, device),
            name=device.name,
            limits=device.limits,
            registers=declared.registers if declared else (),
            declared=declared,
            figures=device,
            exceptions=figures.exceptions_by_poll,
        )


def _unit(figures: Figures, device: DeviceFigures) -> int:
    """The unit identifier that most requests of its polls bear, where one box answers to several."""
    asked: dict[int, int] = {}
    for poll in device.polls:
        unit = figures.groups.keys[poll.row].unit
        asked[unit] = asked.get(unit, 0) + poll.count
    return max(asked, key=lambda unit: (asked[unit], -unit), default=device.units[0])
