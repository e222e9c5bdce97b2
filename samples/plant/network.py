"""Host table → network namespaces around one switch or two; the mirror port shows each frame once."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Sequence
from types import TracebackType

from plant.hosts import FAR_SWITCH_MAC, PREFIX_BITS, SWITCH_MAC, Host
from plant.plan import Cabling

OFFLOADS = ("rx", "tx", "tso", "gso", "gro")
SWITCH, FAR_SWITCH = "switch", "far"  # the first has the recorder
MIRROR_PORT = "mirror"
RECORDER_PORT = "rec0"
HOLE = "hole"  # where a filter puts what it does not let through
# Hosts ask again for an address within seconds of not hearing from it, so that an outage shows it.
NEIGHBOUR = {"base_reachable_time_ms": "4000", "delay_first_probe_time": "1"}
FORWARD_DELAY_S, HELLO_S, MAX_AGE_S = 3, 1, 6  # shorter than usual (IEEE 802.1D-1998, table 8-3), to be brief
BUCKET = ("burst", "1600", "latency", "200ms")  # one long frame at once, then a short queue
EVERY_FRAME = ("u32", "match", "u32", "0", "0")


class CommandFailed(RuntimeError):  # noqa: N818 - said as it happened
    """A command of the operating system did not do what it should."""


def command(*words: str) -> str:
    """Run one command to its end, give its output; CommandFailed with its own words where it fails."""
    done = subprocess.run(words, capture_output=True, text=True, timeout=30, check=False)
    if done.returncode:
        raise CommandFailed(f"{' '.join(words)}: {done.stderr.strip() or done.stdout.strip()}")
    return done.stdout


class Network:
    """The oven line's network, from entering the context to leaving it.

    Every namespace bears ``prefix``; leaving removes those that were made here and nothing else. The switch
    mirrors what its ports receive: a frame enters it once, so it is recorded once, also when it is flooded
    or when its destination is gone.
    """

    def __init__(self, prefix: str, hosts: Sequence[Host], cabling: Cabling) -> None:
        self.prefix, self.hosts, self.cabling = prefix, hosts, cabling
        self.made: list[str] = []

    def __enter__(self) -> Network:
        try:
            self._make_switches()
            for host in self.hosts:
                self.plug_in(host)
            if self.cabling.spanning_tree:
                time.sleep(2 * FORWARD_DELAY_S + HELLO_S)  # until ports forward
        except BaseException:
            self._remove()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._remove()

    def namespace(self, key: str) -> str:
        """Give the namespace of a host's ``key``, of a switch or of ``recorder``."""
        return f"{self.prefix}-{key}"

    def inside(self, key: str, words: Sequence[str]) -> list[str]:
        """Give the command line that runs ``words`` inside a namespace; it keeps its process id."""
        return ["ip", "netns", "exec", self.namespace(key), *words]

    def set_port(self, host: Host, state: str) -> None:
        """Set the switch's port of ``host`` ``up`` or ``down``: both ends of the cable notice."""
        command("ip", "-n", self.namespace(self._switch_of(host.key)), "link", "set", host.key, state)

    def set_link(self, host: Host, state: str) -> None:
        """Set the host's own end of its cable ``up`` or ``down``."""
        command("ip", "-n", self.namespace(host.key), "link", "set", "eth0", state)

    def set_trunk(self, name: str, state: str) -> None:
        """Set a cable between the switches ``up`` or ``down``, at both ends."""
        for switch in (SWITCH, FAR_SWITCH):
            command("ip", "-n", self.namespace(switch), "link", "set", name, state)

    def plug_in(self, host: Host) -> None:
        """Make a host's namespace and cable it to its switch; it announces itself."""
        switch, namespace = self._switch_of(host.key), self._make_namespace(host.key)
        self._cable(switch, host.key, host.key, "eth0")
        command("ip", "-n", namespace, "link", "set", "eth0", "address", host.mac)
        command("ip", "-n", namespace, "address", "add", f"{host.address}/{PREFIX_BITS}", "dev", "eth0")
        command("ip", "-n", self.namespace(switch), "link", "set", host.key, "master", "fabric")
        for key, value in NEIGHBOUR.items():
            command(*self.inside(host.key, ["sysctl", "-qw", f"net.ipv4.neigh.eth0.{key}={value}"]))
        command(*self.inside(host.key, ["sysctl", "-qw", "net.ipv4.conf.eth0.arp_notify=1"]))
        if switch == SWITCH:
            self._mirror(host.key)
        command("ip", "-n", namespace, "link", "set", "eth0", "up")

    def unplug(self, host: Host) -> None:
        """Take a host's cable away, so that nothing of it is heard any more."""
        command("ip", "-n", self.namespace(self._switch_of(host.key)), "link", "delete", host.key)

    def forget(self, host: Host) -> None:
        """Remove the namespace of an unplugged host: its next one knows nothing of its connections."""
        self.made.remove(self.namespace(host.key))
        command("ip", "netns", "delete", self.namespace(host.key))

    def forget_flow(self, client: Host, server: Host) -> None:
        """Let nothing more through of the connections that ``client`` has to ``server`` now, either way."""
        listed = command(*self.inside(client.key, ["ss", "-Htn", "dst", server.address]))
        ports = {line.split()[3].rsplit(":", 1)[1] for line in listed.splitlines()}
        for port in sorted(ports):
            self._drop(server, "egress", client, server, ("match", "ip", "sport", port, "0xffff"))
            self._drop(server, "ingress", server, client, ("match", "ip", "dport", port, "0xffff"))

    def lose_replies(self, client: Host, server: Host) -> None:
        """Let nothing of ``server`` through to ``client`` any more that is TCP; the mirror port still has it."""
        self._drop(client, "egress", server, client, ())

    def find_replies(self, client: Host) -> None:
        """Let everything through to ``client`` again."""
        command(*self.inside(SWITCH, ["tc", "filter", "delete", "dev", client.key, "egress", "pref", "1"]))

    def _drop(self, at: Host, way: str, source: Host, target: Host, which: tuple[str, ...]) -> None:
        flow = ("match", "ip", "src", f"{source.address}/32", "match", "ip", "dst", f"{target.address}/32")
        away = ("action", "mirred", "egress", "redirect", "dev", HOLE)
        # Before the mirror's own filter, so that the mirror port lacks what this one took on its way in.
        words = ("tc", "filter", "add", "dev", at.key, way, "protocol", "ip", "pref", "1", "u32", *flow)
        command(*self.inside(SWITCH, (*words, "match", "ip", "protocol", "6", "0xff", *which, *away)))

    def _switch_of(self, key: str) -> str:
        return FAR_SWITCH if key in self.cabling.far else SWITCH

    def _make_namespace(self, key: str) -> str:
        name = self.namespace(key)
        command("ip", "netns", "add", name)
        self.made.append(name)
        command(*self.inside(key, ["sysctl", "-qw", "net.ipv6.conf.all.disable_ipv6=1"]))
        command(*self.inside(key, ["sysctl", "-qw", "net.ipv6.conf.default.disable_ipv6=1"]))
        command("ip", "-n", name, "link", "set", "lo", "up")
        return name

    def _make_switches(self) -> None:
        # The far switch is the tree's root, so that the recorder's switch hears what the root says.
        self._make_switch(SWITCH, SWITCH_MAC, "32768")
        self._make_namespace("recorder")
        self._cable(SWITCH, MIRROR_PORT, "recorder", RECORDER_PORT)
        command("ip", "-n", self.namespace("recorder"), "link", "set", RECORDER_PORT, "arp", "off", "up")
        ends = ("type", "veth", "peer", "name", "nowhere")
        command("ip", "-n", self.namespace(SWITCH), "link", "add", HOLE, *ends)
        if self.cabling.trunks:
            self._make_switch(FAR_SWITCH, FAR_SWITCH_MAC, "4096")
        for number in range(1, self.cabling.trunks + 1):
            self._make_trunk(f"trunk{number}", number)

    def _make_switch(self, key: str, mac: str, priority: str) -> None:
        namespace = self._make_namespace(key)
        kind = ("type", "bridge", "mcast_snooping", "0", "stp_state", str(int(self.cabling.spanning_tree)))
        times = ("forward_delay", FORWARD_DELAY_S, "hello_time", HELLO_S, "max_age", MAX_AGE_S)
        hundredths = [word if isinstance(word, str) else str(100 * word) for word in times]
        tree = (*hundredths, "priority", priority) if self.cabling.spanning_tree else ()
        command("ip", "-n", namespace, "link", "add", "fabric", "address", mac, *kind, *tree)
        command("ip", "-n", namespace, "link", "set", "fabric", "up")

    def _make_trunk(self, name: str, number: int) -> None:
        self._cable(SWITCH, name, FAR_SWITCH, name)
        for place, switch in enumerate((SWITCH, FAR_SWITCH)):
            mac = f"00:00:5e:00:53:{2 * number + place + 1:02x}"
            namespace = self.namespace(switch)
            command("ip", "-n", namespace, "link", "set", name, "address", mac, "master", "fabric")
            command("ip", "-n", namespace, "link", "set", name, "up")
        self._mirror(name)
        if self.cabling.trunk_kbit_per_s:
            bucket = ("tbf", "rate", f"{self.cabling.trunk_kbit_per_s}kbit", *BUCKET)
            command(*self.inside(SWITCH, ["tc", "qdisc", "add", "dev", name, "root", *bucket]))

    def _cable(self, switch: str, port: str, key: str, far_end: str) -> None:
        peer = ("type", "veth", "peer", "name", far_end, "netns", self.namespace(key))
        command("ip", "-n", self.namespace(switch), "link", "add", port, *peer)
        # Without offloads the segments and checksums are those that a cable would carry.
        off = [word for offload in OFFLOADS for word in (offload, "off")]
        command(*self.inside(switch, ["ethtool", "-K", port, *off]))
        command(*self.inside(key, ["ethtool", "-K", far_end, *off]))
        command("ip", "-n", self.namespace(switch), "link", "set", port, "up")

    def _mirror(self, port: str) -> None:
        copy = ("action", "mirred", "egress", "mirror", "dev", MIRROR_PORT)
        command(*self.inside(SWITCH, ["tc", "qdisc", "add", "dev", port, "clsact"]))
        every = ("protocol", "all", "pref", "2", *EVERY_FRAME)
        command(*self.inside(SWITCH, ["tc", "filter", "add", "dev", port, "ingress", *every, *copy]))

    def _remove(self) -> None:
        while self.made:
            # What cannot be removed must not keep the others from being removed.
            subprocess.run(
                ["ip", "netns", "delete", self.made.pop()], capture_output=True, timeout=30, check=False
            )
