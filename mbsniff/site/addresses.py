"""An IP address as somebody wrote it in, its canonical text out."""

from __future__ import annotations

import ipaddress


def canonical_address(text: str) -> str:
    """An IPv4 or IPv6 address as ``ipaddress`` writes it; raises ValueError."""
    return str(ipaddress.ip_address(text))
