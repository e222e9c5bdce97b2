"""Nothing in, `translated.pcap.gz` beside this file out: real traffic, recorded on both sides of a translation.

    python -m tests.exchange.record_translated

Two pymodbus masters ask a pymodbus device through a router whose kernel translates source addresses, and forwards
port 10502 of its own address to the device's 502. Two recorders in the router, one on each side, write one capture. In
network namespaces made for it; as root on Linux, with `ip`, `nft`, `sysctl` and pymodbus.
"""

from __future__ import annotations

import asyncio
import gzip
import select
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path

from tests.builders.recorder import pcap

FILE = Path(__file__).with_name("translated.pcap.gz")
PLC, STATION, DEVICE = "192.0.2.10", "192.0.2.20", "198.51.100.50"
NEAR_MASTERS, NEAR_DEVICE = "192.0.2.1", "198.51.100.1"
FORWARDED = 10502
BRIDGE = "00:00:5e:00:53:10"  # RFC 7042, 2.1.2
SECONDS = 12.0
NAMES = ("nat-plc", "nat-station", "nat-device", "nat-router")
RULES = f"""
table ip nat {{
  chain before {{
    type nat hook prerouting priority dstnat;
    ip daddr {NEAR_MASTERS} tcp dport {FORWARDED} dnat to {DEVICE}:502
  }}
  chain behind {{
    type nat hook postrouting priority srcnat;
    oifname "device" masquerade
  }}
}}
"""


def run(*words: str, given: str | None = None) -> None:
    subprocess.run(words, check=True, timeout=30, input=given, text=True, stdout=subprocess.DEVNULL)


def inside(name: str, *words: str) -> list[str]:
    return ["ip", "netns", "exec", name, *words]


def cable(port: str, name: str, address: str, own: str) -> None:
    """From the router to a host; frames as on a cable, without offloads."""
    run("ip", "-n", "nat-router", "link", "add", port, "type", "veth", "peer", "name", "eth0", "netns", name)
    for place, (where, link) in enumerate((("nat-router", port), (name, "eth0"))):
        mac = f"00:00:5e:00:53:{NAMES.index(name) * 2 + place:02x}"
        run("ip", "-n", where, "link", "set", link, "address", mac)
        run(
            *inside(
                where,
                "ethtool",
                "-K",
                link,
                "tx",
                "off",
                "rx",
                "off",
                "tso",
                "off",
                "gso",
                "off",
                "gro",
                "off",
            )
        )
        run("ip", "-n", where, "link", "set", link, "up")
    run("ip", "-n", name, "address", "add", f"{address}/24", "dev", "eth0")
    if own:
        run("ip", "-n", "nat-router", "address", "add", f"{own}/24", "dev", port)


def build() -> None:
    """The masters on a bridge before the router, the device behind it."""
    for name in NAMES:
        run("ip", "netns", "add", name)
    run("ip", "-n", "nat-router", "link", "add", "masters", "address", BRIDGE, "type", "bridge")
    run("ip", "-n", "nat-router", "address", "add", f"{NEAR_MASTERS}/24", "dev", "masters")
    run("ip", "-n", "nat-router", "link", "set", "masters", "up")
    for port, name, address in (("plc", "nat-plc", PLC), ("station", "nat-station", STATION)):
        cable(port, name, address, "")
        run("ip", "-n", "nat-router", "link", "set", port, "master", "masters")
        run("ip", "-n", name, "route", "add", "default", "via", NEAR_MASTERS)
    cable("device", "nat-device", DEVICE, NEAR_DEVICE)
    run(*inside("nat-router", "sysctl", "-qw", "net.ipv4.ip_forward=1"))
    run(*inside("nat-router", "nft", "-f", "-"), given=RULES)


def serve() -> None:
    """The device."""
    from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
    from pymodbus.server import StartAsyncTcpServer

    block = ModbusSequentialDataBlock(1, [20] * 100)
    context = ModbusServerContext(ModbusDeviceContext(hr=block), single=True)
    asyncio.run(asyncio.wait_for(StartAsyncTcpServer(context, address=(DEVICE, 502)), SECONDS + 6))


def ask(server: str, port: int, period_s: float) -> None:
    """A master: reads, and a write now and then, at a steady pace."""
    from pymodbus.client import ModbusTcpClient

    client = ModbusTcpClient(server, port=port)
    while not client.connect():
        time.sleep(0.5)
    with client:
        for number in range(int((SECONDS - 2) / period_s)):
            if number % 5 == 4:
                client.write_register(40, number)
            else:
                client.read_holding_registers(0, count=10)
            time.sleep(period_s)


def listen(links: tuple[str, ...], until: float) -> list[tuple[int, bytes, int]]:
    """Frames of several links of the router, by the kernel's time."""
    found = []
    sockets = [socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3)) for _ in links]
    for one, link in zip(sockets, links, strict=True):
        one.bind((link, 3))
        one.setsockopt(socket.SOL_SOCKET, 35, 1)  # SO_TIMESTAMPNS
    while (left := until - time.time()) > 0:
        for one in select.select(sockets, [], [], left)[0]:
            data, ancillary, _, _ = one.recvmsg(65535, 256)
            seconds, nanoseconds = struct.unpack("ll", ancillary[0][2])
            found.append((seconds * 10**9 + nanoseconds, data, len(data)))
    return sorted(found, key=lambda record: record[0])


def main() -> None:
    """Build, record, write, take down."""
    if len(sys.argv) > 1:
        role, *words = sys.argv[1:]
        if role == "serve":
            serve()
        elif role == "ask":
            ask(words[0], int(words[1]), float(words[2]))
        else:
            FILE.write_bytes(
                gzip.compress(pcap(listen(("plc", "station", "device"), time.time() + SECONDS)), mtime=0)
            )
        return
    started = []
    try:
        build()
        own = (sys.executable, "-m", "tests.exchange.record_translated")
        started = [subprocess.Popen(inside("nat-device", *own, "serve"))]
        time.sleep(4)
        started.append(subprocess.Popen(inside("nat-router", *own, "listen")))
        time.sleep(1)
        started.append(subprocess.Popen(inside("nat-plc", *own, "ask", NEAR_MASTERS, str(FORWARDED), "0.25")))
        started.append(subprocess.Popen(inside("nat-station", *own, "ask", DEVICE, "502", "0.5")))
        for process in started[1:]:
            process.wait(60)
    finally:
        for process in started:
            process.terminate()
        for name in NAMES:
            subprocess.run(["ip", "netns", "delete", name], check=False)


if __name__ == "__main__":
    main()
