"""The content of a site file → Site: families and defaults inherited, registers joined, relations checked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from typing import Any

from mbsniff.site.fields import check_names, entries_of
from mbsniff.site.keys import TABLES
from mbsniff.site.kinds import Path, RefusedError, nearest
from mbsniff.site.limits import Device, Family, Limits, Master
from mbsniff.site.register_list import Places
from mbsniff.site.registers import Declared, check_feedback, check_unique, joined, read_registers
from mbsniff.site.relations import check_reference, check_register_masters, check_relations
from mbsniff.site.site import Site


@dataclass(frozen=True)
class _Kin:
    """What devices inherit from: the defaults, or a family."""

    limits: Limits
    declared: list[Declared]
    fields: dict[str, Any]
    within: Path


def build_site(content: dict[str, Any], path: str, places: Places) -> Site:
    """The site that the parsed file declares; register lists are read from the folder of ``path``.

    Raises RefusedError, whose path leads to the fault; ``places`` is filled with where register lists have
    what a path leads to.
    """
    check_names(content)
    entries = {table.name: entries_of(table, content.get(table.name)) for table in TABLES}
    own = entries["defaults"][0] if entries["defaults"] else {}
    defaults = _Kin(replace(Limits(), **own), [], own, ("defaults",))
    folder = FilePath(path).parent
    families: dict[str, _Kin] = {}
    for index, fields in enumerate(entries["family"]):
        within: Path = ("family", index)
        if fields["name"] in families:
            raise RefusedError(f'is "{fields["name"]}" again', "another name", within=(*within, "name"))
        families[fields["name"]] = _inherit(fields, within, defaults, folder, places)
    masters = tuple(Master(**fields) for fields in entries["master"])
    kin = [
        _inherit(fields, ("device", index), _family(fields, index, families) or defaults, folder, places)
        for index, fields in enumerate(entries["device"])
    ]
    devices = tuple(_device(each) for each in kin)
    whole = tuple(
        Family(name, each.limits, tuple(d.register for d in each.declared)) for name, each in families.items()
    )
    site = Site(masters, devices, defaults.limits, path, whole)
    _check(site, kin, defaults, families)
    return site


def _family(fields: dict[str, Any], index: int, families: dict[str, _Kin]) -> _Kin | None:
    name = fields.get("family")
    if name is None or name in families:
        return families.get(name or "")
    known = f"Known: {', '.join(families)}." if families else "The file declares no [[family]]."
    what = f'is "{name}", which is no known family{nearest(name, families)}'
    raise RefusedError(what, hint=known, within=("device", index, "family"))


def _inherit(fields: dict[str, Any], within: Path, parent: _Kin, folder: FilePath, places: Places) -> _Kin:
    """What a family or device is, with its own fields before those of what it inherits from."""
    stated = {name: value for name, value in fields.items() if hasattr(parent.limits, name)}
    limits = replace(parent.limits, **stated)
    rest = {name: value for name, value in fields.items() if name not in stated}
    own = read_registers(rest, within, limits.numbering, folder, places)
    check_unique(own)
    return _Kin(limits, joined(own, parent.declared), {**rest, **stated}, within)


def _device(kin: _Kin) -> Device:
    own = {name: value for name, value in kin.fields.items() if not hasattr(kin.limits, name)}
    registers = tuple(each.register for each in kin.declared)
    return Device(**{"name": None, **own}, limits=kin.limits, registers=registers)


def _check(site: Site, devices: list[_Kin], defaults: _Kin, families: dict[str, _Kin]) -> None:
    """What two tables of the file say, held against each other."""
    check_relations(site)
    for each in (*families.values(), *devices):
        check_register_masters(site, each.declared)
        check_feedback(each.declared)
    for kin, device in zip(devices, site.devices, strict=True):
        family = families.get(device.family or "")
        for key in ("watchdog_register", "status_register", "reset_register"):
            written = next((k for k in (kin, family, defaults) if k and key in k.fields), kin)
            check_reference(device, key, (*written.within, key))
