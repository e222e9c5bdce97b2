"""Host table → network namespaces around one switch; its mirror port shows each frame once."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from types import TracebackType

from plant.hosts import HOSTS, PREFIX_BITS, SWITCH_MAC, Host

OFFLOADS = ("rx", "tx", "tso", "gso", "gro")
MIRROR_PORT = "mirror"
RECORDER_PORT = "rec0"
# Hosts ask again for an address within seconds of not hearing from it, so that an outage shows it.
NEIGHBOUR = {"base_reachable_time_ms": "4000", "delay_first_probe_time": "1"}


class CommandFailed(RuntimeError):  # noqa: N818 - said as it happened
    """A command of the operating system did not do what it should."""


def command(*words: str) -> None:
    """Run one command to its end; CommandFailed with its own words where it fails."""
    done = subprocess.run(words, capture_output=True, text=True, timeout=30, check=False)
    if done.returncode:
        raise CommandFailed(f"{' '.join(words)}: {done.stderr.strip() or done.stdout.strip()}")


class Network:
    """The oven line's network, from entering the context to leaving it.

    Every namespace bears ``prefix``; leaving removes those that were made here and nothing else. The switch
    mirrors what its ports receive: a frame enters it once, so it is recorded once, also when it is flooded
    or when its destination is gone.
    """

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix
        self.made: list[str] = []

    def __enter__(self) -> Network:
        try:
            self._make_switch()
            for host in HOSTS:
                self._plug_in(host)
        except BaseException:
            self._remove()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._remove()

    def namespace(self, key: str) -> str:
        """Give the namespace of a host's ``key``, of ``switch`` or of ``recorder``."""
        return f"{self.prefix}-{key}"

    def inside(self, key: str, words: Sequence[str]) -> list[str]:
        """Give the command line that runs ``words`` inside a namespace; it keeps its process id."""
        return ["ip", "netns", "exec", self.namespace(key), *words]

    def set_link(self, host: Host, state: str) -> None:
        """Set the switch's port of ``host`` ``up`` or ``down``: both ends of the cable notice."""
        command("ip", "-n", self.namespace("switch"), "link", "set", host.key, state)

    def _make_namespace(self, key: str) -> str:
        name = self.namespace(key)
        command("ip", "netns", "add", name)
        self.made.append(name)
        command(*self.inside(key, ["sysctl", "-qw", "net.ipv6.conf.all.disable_ipv6=1"]))
        command(*self.inside(key, ["sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1"]))
        command("ip", "-n", name, "link", "set", "lo", "up")
        return name

    def _make_switch(self) -> None:
        switch, recorder = self._make_namespace("switch"), self._make_namespace("recorder")
        bridge = ("address", SWITCH_MAC, "type", "bridge", "stp_state", "0", "mcast_snooping", "0")
        command("ip", "-n", switch, "link", "add", "fabric", *bridge)
        command("ip", "-n", switch, "link", "set", "fabric", "up")
        self._cable(MIRROR_PORT, "recorder", RECORDER_PORT)
        command("ip", "-n", recorder, "link", "set", RECORDER_PORT, "arp", "off", "up")

    def _plug_in(self, host: Host) -> None:
        switch, namespace = self.namespace("switch"), self._make_namespace(host.key)
        self._cable(host.key, host.key, "eth0")
        command("ip", "-n", namespace, "link", "set", "eth0", "address", host.mac)
        command("ip", "-n", namespace, "address", "add", f"{host.address}/{PREFIX_BITS}", "dev", "eth0")
        command("ip", "-n", switch, "link", "set", host.key, "master", "fabric")
        for key, value in NEIGHBOUR.items():
            command(*self.inside(host.key, ["sysctl", "-qw", f"net.ipv4.neigh.eth0.{key}={value}"]))
        self._mirror(host.key)
        command("ip", "-n", namespace, "link", "set", "eth0", "up")

    def _cable(self, port: str, key: str, far_end: str) -> None:
        switch, namespace = self.namespace("switch"), self.namespace(key)
        peer = ("type", "veth", "peer", "name", far_end, "netns", namespace)
        command("ip", "-n", switch, "link", "add", port, *peer)
        # Without offloads the segments and checksums are those that a cable would carry.
        off = [word for offload in OFFLOADS for word in (offload, "off")]
        command(*self.inside("switch", ["ethtool", "-K", port, *off]))
        command(*self.inside(key, ["ethtool", "-K", far_end, *off]))
        command("ip", "-n", switch, "link", "set", port, "up")

    def _mirror(self, port: str) -> None:
        every_frame = ("protocol", "all", "u32", "match", "u32", "0", "0")
        copy = ("action", "mirred", "egress", "mirror", "dev", MIRROR_PORT)
        command(*self.inside("switch", ["tc", "qdisc", "add", "dev", port, "clsact"]))
        command(*self.inside("switch", ["tc", "filter", "add", "dev", port, "ingress", *every_frame, *copy]))

    def _remove(self) -> None:
        while self.made:
            # What cannot be removed must not keep the others from being removed.
            subprocess.run(
                ["ip", "netns", "delete", self.made.pop()], capture_output=True, timeout=30, check=False
            )
