"""Addresses in, the names that the site file gives their hosts out."""

from __future__ import annotations

import functools

from mbsniff.diagnose.naming import folded
from mbsniff.site import Site


class HostNames:
    """Names of masters, of devices, and of the devices at an endpoint or address; each looked up once."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.endpoint = functools.cache(self._endpoint)
        self.host = functools.cache(self._host)

    def device(self, address: str, port: int, unit: int) -> str:
        """The device's name, else its address, port and unit."""
        declared = self._site.device_for(address, port, unit)
        return declared.name if declared and declared.name else f"{endpoint_text(address, port)}/{unit}"

    def master(self, address: str) -> str:
        """The master's name, else its address."""
        return self._site.name_of_master(address) or address

    def _endpoint(self, address: str, port: int) -> str:
        """The names of the devices there, else address and port."""
        names = [d.name for d in self._site.devices if (d.address, d.port) == (address, port) and d.name]
        return folded(names) or endpoint_text(address, port)

    def _host(self, address: str) -> str:
        """The name of the master or devices at an address, else the address."""
        names = [d.name for d in self._site.devices if d.address == address and d.name]
        return self._site.name_of_master(address) or folded(names) or address


def endpoint_text(address: str, port: int) -> str:
    """Address and port as one text: "192.0.2.51:502"."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
