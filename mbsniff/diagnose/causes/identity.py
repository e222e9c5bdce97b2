"""A silence in, who spoke as the device out: hardware addresses, leases, and where a reset came from."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.causes.seen import ABSENT, UNTOLD, Seen
from mbsniff.diagnose.lines import Longs
from mbsniff.diagnose.neighbourhood import CLAIMS, between, mac_text, of_kind
from mbsniff.diagnose.scene import Scene
from mbsniff.diagnose.wording import clock
from mbsniff.exchange.columns import (
    E_FRAME,
    N_ADDRESS,
    N_FRAME,
    N_HOPS,
    N_KIND,
    N_MAC,
    N_TARGET,
    N_TARGET_MAC,
    N_TIME_NS,
)
from mbsniff.wire.network.rows import ADDRESS_ANNOUNCED, LEASE_GIVEN, LEASE_REFUSED, ORIGIN
from mbsniff.wire.rows import RESET, SERVER

BEFORE_NS = 5_000_000_000  # what a claim or lease so long before a silence began still does
ALTERNATES = 2  # changes from one hardware address to another and back


def two_hardware_addresses(scene: Scene) -> Seen:
    """Two hardware addresses claim the device's address by turns."""
    claims = _claims(scene)
    if not scene.case.neighbourhood.has_lookups:
        return UNTOLD
    macs = claims[:, N_MAC]
    changes = np.flatnonzero(macs[1:] != macs[:-1])
    if len(changes) < ALTERNATES:
        return ABSENT
    names = " and ".join(mac_text(mac) for mac in np.unique(macs)[:3].tolist())
    text = f"{names} claimed {scene.device.address} by turns, from {clock(int(claims[changes[0] + 1, N_TIME_NS]))} on"
    around = np.unique(np.concatenate([changes, changes + 1]))
    return Seen(True, text, scene.case.network_frames(claims[around]))


def hardware_address_changed(scene: Scene) -> Seen:
    """The device's address went from one hardware address to another, once."""
    claims = _claims(scene)
    if not scene.case.neighbourhood.has_lookups:
        return UNTOLD
    changes = np.flatnonzero(claims[1:, N_MAC] != claims[:-1, N_MAC])
    if len(changes) != 1:
        return ABSENT
    before, after = claims[changes[0]], claims[changes[0] + 1]
    text = (
        f"{scene.device.address} went from {mac_text(int(before[N_MAC]))} to {mac_text(int(after[N_MAC]))} at "
        f"{clock(int(after[N_TIME_NS]))}"
    )
    return Seen(True, text, scene.case.network_frames(np.stack([before, after])))


def _claims(scene: Scene) -> Longs:
    """Who says to have the device's address, from shortly before the silence to its end; its last word before, too.

    Segments count where their hardware address claims the address by a look-up as well: a router or filter does not.
    """
    rows = scene.case.neighbourhood.by(scene.device.address)
    rows = between(rows[rows[:, N_MAC] >= 0], 0, scene.until_ns)
    claims = of_kind(rows, *CLAIMS)
    own = np.isin(rows[:, N_KIND], CLAIMS)
    own |= (rows[:, N_KIND] == ORIGIN) & np.isin(rows[:, N_MAC], claims[:, N_MAC])
    rows = rows[own]
    since = scene.from_ns - BEFORE_NS
    return np.concatenate([between(rows, 0, since - 1)[-1:], between(rows, since, scene.until_ns)])


def lease_gave_other_address(scene: Scene) -> Seen:
    """A lease, or an announcement by the device's own hardware address, gives it another address."""
    case, own = scene.case, _own_mac(scene)
    if own is None:
        return UNTOLD
    rows = between(case.neighbourhood.rows, scene.from_ns - BEFORE_NS, scene.until_ns)
    given = of_kind(rows[rows[:, N_TARGET_MAC] == own], LEASE_GIVEN)
    announced = of_kind(rows[rows[:, N_MAC] == own], ADDRESS_ANNOUNCED)
    moved = np.concatenate(
        [_other(scene, given, N_TARGET), _other(scene, announced, N_ADDRESS)],
    )
    if not len(moved):
        return ABSENT
    column = N_TARGET if moved[0, N_KIND] == LEASE_GIVEN else N_ADDRESS
    how = "was given" if moved[0, N_KIND] == LEASE_GIVEN else "announced"
    text = (
        f"its hardware address {mac_text(own)} {how} {case.neighbourhood.address(int(moved[0, column]))} at "
        f"{clock(int(moved[0, N_TIME_NS]))}"
    )
    return Seen(True, text, case.network_frames(moved))


def _other(scene: Scene, rows: Longs, column: int) -> Longs:
    """Those about another IPv4 address, or IPv6 address, than the device's own, of the same version."""
    around = scene.case.neighbourhood
    own, six = scene.device.address, ":" in scene.device.address
    keep = [
        place >= 0 and (text := around.address(place)) != own and (":" in text) == six
        for place in rows[:, column].tolist()
    ]
    return rows[np.array(keep, np.bool_)] if keep else rows


def lease_refused(scene: Scene) -> Seen:
    """The device asked for a lease and was refused one (RFC 2131, 4.3.2)."""
    own = _own_mac(scene)
    if own is None:
        return UNTOLD
    rows = between(scene.case.neighbourhood.rows, scene.from_ns - BEFORE_NS, scene.until_ns)
    refused = of_kind(rows[rows[:, N_TARGET_MAC] == own], LEASE_REFUSED)
    if not len(refused):
        return ABSENT
    text = (
        f"its hardware address {mac_text(own)} was refused its address at {clock(int(refused[0, N_TIME_NS]))}"
    )
    return Seen(True, text, scene.case.network_frames(refused))


def _own_mac(scene: Scene) -> int | None:
    """The device's own hardware address: as seen before the silence, or as the site file states it."""
    case, device = scene.case, scene.device
    seen = case.neighbourhood.usual_mac(device.address, scene.from_ns)
    declared = case.site.device_for(device.address, device.port, device.units[0])
    if seen is None and declared and declared.hardware_address:
        return int(declared.hardware_address.replace("-", ""), 16)
    return seen


def reset_from_own_hardware(scene: Scene) -> Seen:
    """A reset on the masters' connections came from where the device's segments always come from."""
    return _reset(scene, own=True)


def reset_from_elsewhere(scene: Scene) -> Seen:
    """A reset on the masters' connections came from another hardware address or hop count than the device's."""
    return _reset(scene, own=False)


def _reset(scene: Scene, *, own: bool) -> Seen:
    resets = scene.of_kind(RESET, SERVER)
    if not len(resets):
        return ABSENT
    around, address = scene.case.neighbourhood, scene.device.address
    origins = of_kind(between(around.by(address), scene.from_ns, scene.until_ns), ORIGIN)
    origins = origins[np.isin(origins[:, N_FRAME], resets[:, E_FRAME]) & (origins[:, N_MAC] >= 0)]
    usual = around.usual_origin(address, scene.from_ns)
    if not len(origins) or usual is None:
        return UNTOLD
    same = (origins[:, N_MAC] == usual[0]) & (origins[:, N_HOPS] == usual[1])
    chosen = origins[same] if own else origins[~same]
    if not len(chosen) or (own and not same.all()):
        return ABSENT
    where = f"{mac_text(int(chosen[0, N_MAC]))}, {int(chosen[0, N_HOPS])} hops left"
    text = f"the reset came from the device's own hardware address ({where})"
    if not own:
        text = f"the reset came from elsewhere ({where}; the device's: {mac_text(usual[0])}, {usual[1]})"
    return Seen(True, text, scene.case.network_frames(chosen))
