"""A site whose values are right one by one → a RefusedError where two of them contradict each other."""

from __future__ import annotations

from mbsniff.site.kinds import Path, RefusedError, canonical_address, cut, nearest
from mbsniff.site.limits import Device, FedBy
from mbsniff.site.site import Site


def check_relations(site: Site) -> None:
    """Names, addresses and units that stand twice, and masters that nobody declares."""
    _check_masters(site)
    _check_devices(site)
    _check_feed(site, site.defaults.fed_by, ("defaults",))
    for index, device in enumerate(site.devices):
        _check_feed(site, device.limits.fed_by, ("device", index))
        for number, master in enumerate(device.limits.masters or ()):
            _check_known(site, master, ("device", index, "masters", number))


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


def _check_feed(site: Site, fed_by: FedBy, within: Path) -> None:
    if fed_by.master is not None:
        _check_known(site, fed_by.master, (*within, "fed_by", "master"))


def _check_known(site: Site, master: str, within: Path) -> None:
    """Refuse what is neither a declared master's name nor an address."""
    names = [m.name for m in site.masters]
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
