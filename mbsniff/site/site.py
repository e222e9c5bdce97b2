"""A whole site: masters, devices and defaults, and what holds for an endpoint's unit."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from mbsniff.errors import SiteError
from mbsniff.site.addresses import canonical_address
from mbsniff.site.duration import NS_PER_S
from mbsniff.site.limits import Device, Family, Limits, Master
from mbsniff.site.register import Register

_ANY_UNIT = -1


@dataclass(frozen=True)
class Site:
    """What a plant declares of itself; ``path`` is the site file, None where there is none."""

    masters: tuple[Master, ...] = ()
    devices: tuple[Device, ...] = ()
    defaults: Limits = field(default_factory=Limits)
    path: str | None = None
    families: tuple[Family, ...] = ()

    @classmethod
    def empty(cls) -> Site:
        """A site that declares nothing, so that nothing is judged."""
        return cls()

    def with_options(
        self,
        watchdog_ns: int | None = None,
        max_block: int | None = None,
        max_reads_per_s: float | None = None,
    ) -> Site:
        """The site with limits from the command line, for devices to which the file gives no such limit.

        The file outranks the options, whether it states the limit for the device or in [defaults].
        None leaves a limit as it is. Raises SiteError for a value that the site file would not take either.
        """
        watchdog_s = None if watchdog_ns is None else watchdog_ns / NS_PER_S
        _check_option("--watchdog", "watchdog_s", watchdog_s)
        _check_option("--max-block", "max_block", max_block)
        _check_option("--max-reads", "max_reads_per_s", max_reads_per_s)
        options = {"watchdog_ns": watchdog_ns, "max_block": max_block, "max_reads_per_s": max_reads_per_s}
        devices = tuple(replace(d, limits=_filled(d.limits, options)) for d in self.devices)
        return replace(self, devices=devices, defaults=_filled(self.defaults, options))

    def device_for(self, address: str, port: int, unit: int) -> Device | None:
        """The declared device: the one that names the unit, else the endpoint's one without units."""
        endpoint = (_canonical(address), port)
        return self._by_unit.get((*endpoint, unit)) or self._by_unit.get((*endpoint, _ANY_UNIT))

    def limits_for(self, address: str, port: int, unit: int) -> Limits:
        """The device's limits, or the defaults where it is not declared."""
        device = self.device_for(address, port, unit)
        return device.limits if device else self.defaults

    def name_of_master(self, address: str) -> str | None:
        """The name of the master that sends from the address, if one is declared."""
        return self._by_address.get(_canonical(address))

    @property
    def master_names(self) -> tuple[str, ...]:
        """The names of all declared masters, in the order of the file."""
        return tuple(master.name for master in self.masters)

    def addresses_of_master(self, master: str) -> tuple[str, ...]:
        """All addresses of a master given by name (as in ``masters`` and ``fed_by``), group or address."""
        named = [m.addresses for m in self.masters if m.name == master]
        grouped = named or [m.addresses for m in self.masters if m.group == master]
        return tuple(address for addresses in grouped for address in addresses) or (_canonical(master),)

    def addresses_of(self, masters: Iterable[str]) -> frozenset[str]:
        """All addresses of several masters."""
        return frozenset(address for master in masters for address in self.addresses_of_master(master))

    def registers_for(self, address: str, port: int, unit: int) -> tuple[Register, ...]:
        """The declared registers of a device, by table and address; none where it is not declared."""
        device = self.device_for(address, port, unit)
        return device.registers if device else ()

    def may_read(self, master: str, device: Device | None, register: Register | None = None) -> bool | None:
        """Whether the site lets a master (its address) read the device, or a register of it.

        None: the site does not state it. ``device`` is None for one that is not declared: the defaults hold.
        """
        limits = device.limits if device else self.defaults
        if register is not None and not register.readable:
            return False
        return self._may(master, "may_read", (limits.masters,))

    def may_write(self, master: str, device: Device | None, register: Register | None = None) -> bool | None:
        """Whether the site lets a master (its address) write to the device, or to a register of it; likewise."""
        limits = device.limits if device else self.defaults
        if register is not None and not register.writable:
            return False
        own = register.writers if register else None
        return self._may(master, "may_write", (limits.masters, limits.writers if own is None else own))

    def _may(self, address: str, key: str, lists: tuple[tuple[str, ...] | None, ...]) -> bool | None:
        """False where anything stated excludes the master; else True where anything stated admits it."""
        name = self.name_of_master(address)
        general = next((getattr(m, key) for m in self.masters if m.name == name), None)
        stated = [_canonical(address) in self.addresses_of(names) for names in lists if names is not None]
        verdicts = [verdict for verdict in (general, *stated) if verdict is not None]
        return all(verdicts) if verdicts else None

    def address_groups(self) -> tuple[Master, ...]:
        """What counts as one master: a Master each, under the group's name where it has a group.

        The addresses of a redundancy group's masters are joined, in the order of the file.
        """
        groups: dict[tuple[bool, str], Master] = {}
        for master in self.masters:
            key = (master.group is not None, master.group or master.name)
            before = groups[key].addresses if key in groups else ()
            groups[key] = Master(key[1], (*before, *master.addresses), master.group)
        return tuple(groups.values())

    @functools.cached_property
    def _by_unit(self) -> dict[tuple[str, int, int], Device]:
        return {
            (device.address, device.port, unit): device
            for device in self.devices
            for unit in device.units or (_ANY_UNIT,)
        }

    @functools.cached_property
    def _by_address(self) -> dict[str, str]:
        return {address: master.name for master in self.masters for address in master.addresses}


def _canonical(address: str) -> str:
    try:
        return canonical_address(address)
    except ValueError:
        return address


def _filled(limits: Limits, options: dict[str, Any]) -> Limits:
    unset = {name: value for name, value in options.items() if getattr(limits, name) is None}
    return replace(limits, **unset)


def _check_option(option: str, key: str, value: float | None) -> None:
    if value is None:
        return
    from mbsniff.site.keys import LIMITS  # with all keys of a file, which there may be none of
    from mbsniff.site.kinds import RefusedError

    try:
        next(k.kind for k in LIMITS if k.name == key).read(value)
    except RefusedError as refused:
        raise SiteError(f"{option} {refused.what}", key=option, expected=refused.expected) from None
