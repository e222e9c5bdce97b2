"""Table of the hosts on the oven line: name → network namespace, hardware address, IP address."""

from __future__ import annotations

from dataclasses import dataclass

PREFIX_BITS = 24  # 192.0.2.0/24, TEST-NET-1 (RFC 5737, section 3)
PORT = 502  # MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 4.3.1.3
UNIT_ID = 1
SWITCH_MAC, FAR_SWITCH_MAC = "00:00:5e:00:53:01", "00:00:5e:00:53:02"


@dataclass(frozen=True)
class Host:
    """One host: ``name`` as in the site file, ``key`` for namespaces and switch ports, its two addresses."""

    name: str
    key: str
    mac: str
    address: str


PLC = Host("oven PLC", "plc", "00:00:5e:00:53:10", "192.0.2.10")
STATION = Host("supervisory station", "station", "00:00:5e:00:53:20", "192.0.2.20")
TERMINAL = Host("recipe terminal", "terminal", "00:00:5e:00:53:30", "192.0.2.30")
ZONES = tuple(
    Host(f"zone {n}", f"zone{n}", f"00:00:5e:00:53:{50 + n}", f"192.0.2.{50 + n}") for n in range(1, 7)
)
GATEWAY = Host("fan gateway", "gateway", "00:00:5e:00:53:57", "192.0.2.57")
STRANGER = Host("spare controller", "stranger", "00:00:5e:00:53:99", ZONES[2].address)  # as it was delivered
MASTERS = (PLC, STATION, TERMINAL)
HOSTS = (*MASTERS, *ZONES)
ALL = {host.key: host for host in (*HOSTS, GATEWAY, STRANGER)}

FANS = (11, 12)  # unit identifiers behind the gateway
SERIAL_PORT = 5000  # plus the unit: the gateway's serial line is a TCP port of its own host
