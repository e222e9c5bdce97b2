"""An exchange's network events in, who is who out: names of addresses, and whose hardware address is usual."""

from __future__ import annotations

import functools
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.neighbourhood import mac_text
from mbsniff.errors import one_line
from mbsniff.exchange.columns import N_ADDRESS, N_KIND, N_MAC, N_TIME_NS
from mbsniff.story.names import called
from mbsniff.story.scope import Scope
from mbsniff.wire.network.rows import ADDRESS_ANNOUNCED, LOOKUP_ANSWERED, LOOKUP_ASKED, ORIGIN

SAYS_WHOSE = (ORIGIN, LOOKUP_ASKED, LOOKUP_ANSWERED, ADDRESS_ANNOUNCED)
"""Kinds whose sender's hardware address is that of the address it speaks for."""


@dataclass
class Hosts:
    """Who is who around a scope."""

    scope: Scope
    network: NDArray[np.int64]
    """All network events, in time order."""
    hosts: list[str]
    _usual: dict[str, int | None] = field(default_factory=dict)
    _owners: dict[tuple[int, str], str] = field(default_factory=dict)

    @property
    def device(self) -> str:
        """The device's address."""
        return self.scope.device.address

    @functools.cached_property
    def masters(self) -> list[str]:
        """Addresses of the device's masters, those of others that the site joins to them among them."""
        case = self.scope.case
        wanted = set(self.scope.device.masters)
        groups = case.figures.groups
        pairs = enumerate(case.exchange.pairs)
        return sorted({p.client for k, p in pairs if groups.masters[groups.master_of_pair[k]] in wanted})

    def text(self, row: int) -> str:
        """An address; empty where there is none."""
        return self.hosts[row] if 0 <= row < len(self.hosts) else ""

    def name(self, address: str) -> str:
        """What the site calls it: a device or a master; else the address."""
        if address == self.device:
            return called(self.scope.device)
        site = self.scope.case.site
        declared = next((d.name for d in site.devices if d.address == address and d.name), None)
        return one_line(declared or site.name_of_master(address) or address)[:60]

    def usual_mac(self, address: str) -> int | None:
        """The hardware address that it has by the site file, else most often before the story begins."""
        if address not in self._usual:
            self._usual[address] = self._stated(address) or self._seen(address)
        return self._usual[address]

    def _stated(self, address: str) -> int | None:
        site = self.scope.case.site
        texts = [d.hardware_address for d in site.devices if d.address == address and d.hardware_address]
        texts += [
            m.hardware_addresses[0] for m in site.masters if address in m.addresses and m.hardware_addresses
        ]
        return int(texts[0].replace("-", ""), 16) if texts else None

    def _seen(self, address: str) -> int | None:
        if address not in self.hosts:
            return None
        own = self.network[self.network[:, N_ADDRESS] == self.hosts.index(address)]
        own = own[np.isin(own[:, N_KIND], SAYS_WHOSE) & (own[:, N_MAC] >= 0)]
        before = own[own[:, N_TIME_NS] <= self.scope.from_ns]
        counts = Counter((before if len(before) else own)[:, N_MAC].tolist())
        return counts.most_common(1)[0][0] if counts else None

    def owner(self, mac: int, claimed: str = "") -> str:
        """Whose hardware address it is, by the site file or by what was seen; with the address itself.

        ``claimed``: an address that it only claims to have.
        """
        if (mac, claimed) not in self._owners:
            self._owners[mac, claimed] = self._owner(mac, claimed)
        return self._owners[mac, claimed]

    def _owner(self, mac: int, claimed: str) -> str:
        if mac < 0:
            return "an unknown sender"
        named = [m.name for m in self.scope.case.site.masters if mac_text(mac) in m.hardware_addresses]
        named += [
            d.name for d in self.scope.case.site.devices if d.hardware_address == mac_text(mac) and d.name
        ]
        own = self.network[(self.network[:, N_MAC] == mac) & np.isin(self.network[:, N_KIND], SAYS_WHOSE)]
        rows = Counter(row for row in own[:, N_ADDRESS].tolist() if row >= 0 and self.text(row) != claimed)
        if not named and rows:
            named = [self.name(self.text(rows.most_common(1)[0][0]))]
        return f"{one_line(named[0])[:60]} ({mac_text(mac)})" if named else mac_text(mac)
