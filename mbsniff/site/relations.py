"""A site whose values are right one by one → a RefusedError where two of them contradict each other."""

from __future__ import annotations

from mbsniff.site.addresses import canonical_address
from mbsniff.site.kinds import Path, RefusedError, cut, nearest
from mbsniff.site.limits import Device, Limits
from mbsniff.site.registers import Declared
from mbsniff.site.site import Site


def check_relations(site: Site) -> None:
    """Names, addresses and units that stand twice, and masters that nobody declares."""
    _check_masters(site)
    _check_groups(site)
    _check_devices(site)
    _check_limits(site, site.defaults, ("defaults",))
    for index, family in enumerate(site.families):
        _check_limits(site, family.limits, ("family", index))
    for index, device in enumerate(site.devices):
        _check_limits(site, device.limits, ("device", index))


def check_register_masters(site: Site, declared: list[Declared]) -> None:
    """Refuse registers that name masters which nobody declares."""
    for each in declared:
        for key in ("masters", "writers"):
            for number, master in enumerate(getattr(each.register, key) or ()):
                _check_known(site, master, (*each.within, key, number))


def check_reference(device: Device, key: str, within: Path) -> None:
    """Refuse a name that is none of the device's registers, and a register that is not readable."""
    wanted = getattr(device.limits, key)
    if not isinstance(wanted, (str, int)):
        return
    register = getattr(device, key)
    called = device.name or device.address
    if register is None:
        names = [r.name for r in device.registers if r.name]
        hint = f"Known: {cut(', '.join(names), 200)}." if names else "It has no registers with names."
        what = f'is "{wanted}", which is no register of {called}{nearest(str(wanted), names)}'
        raise RefusedError(what, hint=hint, within=within)
    if not register.readable:
        raise RefusedError(f"is {register.label()}, which is not readable at {called}", within=within)


def _check_masters(site: Site) -> None:
    names: set[str] = set()
    owners: dict[str, str] = {}
    for index, master in enumerate(site.masters):
        if master.name in names:
            raise RefusedError(f'is "{master.name}" again', "another name", within=("master", index, "name"))
        names.add(master.name)
        for number, address in enumerate(master.addresses):
            if address in owners:
                what = f'is {address}, which is an address of "{owners[address]}" already'
                raise RefusedError(what, within=("master", index, "addresses", number))
            owners[address] = master.name


def _check_devices(site: Site) -> None:
    names: set[str] = set()
    owners: dict[tuple[str, int, int | None], int] = {}
    for index, device in enumerate(site.devices):
        if device.name is not None and device.name in names:
            raise RefusedError(f'is "{device.name}" again', "another name", within=("device", index, "name"))
        names.add(device.name or "")
        for unit in device.units or (None,):
            key = (device.address, device.port, unit)
            if key in owners:
                raise _twice(site.devices[owners[key]], owners[key], unit, index)
            owners[key] = index


def _twice(first: Device, first_index: int, unit: int | None, index: int) -> RefusedError:
    called = f'"{first.name}"' if first.name else f"[[device]] number {first_index + 1}"
    units = "no unit" if unit is None else f"unit {unit}"
    what = f"is {first.address}, which with port {first.port} and {units} is {called} already"
    return RefusedError(what, within=("device", index, "address"))


def _check_groups(site: Site) -> None:
    """A word that names a master and a group of others could mean either."""
    for index, master in enumerate(site.masters):
        if master.group is not None and master.group != master.name and master.group in site.master_names:
            what = f'is "{master.group}", the name of another [[master]]'
            raise RefusedError(what, "a name of its own", within=("master", index, "group"))


def _check_limits(site: Site, limits: Limits, within: Path) -> None:
    """Refuse masters that nobody declares, and writers that may not talk to the device at all."""
    if limits.fed_by.master is not None:
        _check_known(site, limits.fed_by.master, (*within, "fed_by", "master"))
    for number, master in enumerate(limits.masters or ()):
        _check_known(site, master, (*within, "masters", number))
    allowed = None if limits.masters is None else site.addresses_of(limits.masters)
    for number, master in enumerate(limits.writers or ()):
        _check_known(site, master, (*within, "writers", number))
        if allowed is not None and not allowed.issuperset(site.addresses_of_master(master)):
            what = f'is "{master}", which is not among masters'
            raise RefusedError(what, within=(*within, "writers", number))


def _check_known(site: Site, master: str, within: Path) -> None:
    """Refuse what is neither a declared master's name nor an address."""
    names = [*site.master_names, *dict.fromkeys(m.group for m in site.masters if m.group)]
    if master in names:
        return
    try:
        canonical_address(master)
    except ValueError:
        hint = (
            f"Known masters: {cut(', '.join(names), 200)}." if names else "The file declares no [[master]]."
        )
        what = f'is "{master}", which is no known master{nearest(master, names)}'
        raise RefusedError(what, hint=hint, within=within) from None
