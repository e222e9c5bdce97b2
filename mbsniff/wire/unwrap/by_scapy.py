"""One frame of a rare kind in, the Ethernet frame or IP packet that scapy's layers find in it out."""

from __future__ import annotations

import importlib
import logging
import warnings
from typing import Any, NamedTuple

from mbsniff.wire.link import LINK_ETHERNET, LINK_RAW

MOST_LAYERS = 16

_SERVICE, _GTP, _L2TP, _TZSP = 1, 2, 3, 4  # FOREIGN_... of `below_ip` and `above_ip`
BY_NUMBER = {
    _SERVICE: ("scapy.contrib.nsh", "NSH"),  # RFC 8300
    _GTP: ("scapy.contrib.gtp", "GTPHeader"),  # 3GPP TS 29.281
    _L2TP: ("scapy.layers.l2tp", "L2TP"),  # RFC 2661
    _TZSP: ("scapy.contrib.tzsp", "TZSP"),
}
BY_LINK = {
    9: ("scapy.layers.ppp", "PPP"),
    50: ("scapy.layers.ppp", "HDLC"),
    51: ("scapy.layers.ppp", "PPPoE"),
    104: ("scapy.contrib.chdlc", "CHDLC"),
    105: ("scapy.layers.dot11", "Dot11"),
    119: ("scapy.layers.dot11", "PrismHeader"),
    127: ("scapy.layers.dot11", "RadioTap"),
    163: ("scapy.contrib.avs", "AVSWLANHeader"),
    192: ("scapy.layers.ppi", "PPI"),
    204: ("scapy.layers.ppp", "DIR_PPP"),
}
"""Link types as draft-ietf-opsawg-pcaplinktype numbers them."""

# Names of layers that end the search.
_IP = frozenset({"IP", "IPv6", "IPv46"})
_ETHER = frozenset({"Ether", "Dot3", "EthernetIIPacket"})
_ENCRYPTED = frozenset({"Dot11Encrypted", "Dot11CCMP", "Dot11TKIP", "Dot11WEP"})


class Inner(NamedTuple):
    """What was found: its bytes, and of which link type they are."""

    data: bytes
    link: int


class EncryptedError(Exception):
    """The layers lead to something that is encrypted."""


def inner_frame(number: int, link: int, data: bytes) -> Inner | None:
    """The first Ethernet frame or IP packet below the layer of this number, or link type; None where there is none.

    Each layer is dissected by itself, so that no frame nests deeper than MOST_LAYERS. Raises EncryptedError, and
    whatever scapy raises on damaged layers.
    """
    named = BY_NUMBER.get(number) or BY_LINK.get(link)
    if named is None:
        return None
    layer: Any = _layer(*named)
    above: Any = None
    rest = data
    for _ in range(MOST_LAYERS):
        if not rest:
            return None
        if hasattr(layer, "dispatch_hook"):
            layer = layer.dispatch_hook(rest)
        found = _end(layer, rest)
        if found is not None:
            return found
        packet = layer()
        packet.original = rest
        if above is not None:
            packet.add_underlayer(above)
        rest, _ = packet.extract_padding(packet.post_dissect(packet.do_dissect(packet.pre_dissect(rest))))
        layer, above = packet.guess_payload_class(rest), packet
    return None


def _end(layer: Any, rest: bytes) -> Inner | None:
    names = {base.__name__ for base in layer.__mro__}
    if names & _ENCRYPTED:
        raise EncryptedError
    if names & _IP:
        return Inner(rest, LINK_RAW)
    if names & _ETHER:
        return Inner(rest, LINK_ETHERNET)
    return None


def _layer(module: str, name: str) -> Any:
    """A layer's class; scapy is imported only where a frame needs it, and without a word."""
    logging.getLogger("scapy").setLevel(logging.CRITICAL)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for known in ("scapy.layers.inet", "scapy.layers.inet6", "scapy.layers.ppp", module):
            importlib.import_module(known)
        return getattr(importlib.import_module(module), name)
