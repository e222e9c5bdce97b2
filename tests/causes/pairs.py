"""Nothing in, the pairs of neighbouring causes out: a scene with one switch, and the verdict on each side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.causes import devices, masters, paths, recorders
from tests.causes.oven import TIMEOUT, Oven

WIDER = frozenset({"recording-gap", "none-seen"})
"""What may be said instead where the deciding frames are not in the recording."""


@dataclass(frozen=True)
class Told:
    """What a verdict has to be: one of these causes, how certain, with a word and without one in its text."""

    causes: frozenset[str]
    certainty: frozenset[str] = frozenset({"certain", "likely"})
    says: str = ""
    never: str = ""


def told(*causes: str, says: str = "", never: str = "", certainty: tuple[str, ...] = ()) -> Told:
    """Shorthand."""
    if certainty:
        return Told(frozenset(causes), frozenset(certainty), says, never)
    return Told(frozenset(causes), says=says, never=never)


@dataclass(frozen=True)
class Pair:
    """Two captures that differ in the deciding evidence alone."""

    name: str
    scene: Callable[[bool], Oven]
    off: Told
    """The verdict with the switch off."""
    on: Told
    differs: frozenset[str]
    """The kinds of frames in which they differ; none: they have the same frames with other sequence numbers."""
    devices: tuple[str, ...] = ("zone 3",)
    moment: bool = False
    """Whether no watchdog is due: the device's longest silence is judged."""
    wider: frozenset[str] = frozenset()
    """What may be said besides, for want of the deciding frames."""
    beside: frozenset[str] = frozenset()
    """Other devices whose watchdogs are due as well."""
    keys: str = ""
    """Further keys of zone 3 in the site file."""

    def verdict(self, switch: bool) -> Told:
        """What has to be said of one side."""
        return self.on if switch else self.off


def pair(
    scene: Callable[[bool], Oven], off: Told, on: Told, *differs: str, name: str = "",
    devices: tuple[str, ...] = ("zone 3",), moment: bool = False, wider: tuple[str, ...] = (),
    beside: tuple[str, ...] = (), keys: str = "",
) -> Pair:  # fmt: skip
    """Shorthand."""
    name = name or scene.__name__.replace("_", "-")
    sets = frozenset(wider), frozenset(beside)
    return Pair(name, scene, off, on, frozenset(differs), devices, moment, *sets, keys)


ALL = ("zone 1", "zone 2", "zone 3", "zone 4", "zone 5", "zone 6")
NEAR = ("zone 1", "zone 2", "zone 3")
OTHERS = ("plc-zone1", "plc-zone2", "plc-zone4", "plc-zone5", "plc-zone6")
UNREACHABLE, STALLED = told("device-unreachable"), told("device-stalled")
STOPPED, NOT_HEARD, DROPPED = told("master-stopped"), told("master-not-heard"), told("poll-dropped")
ENDED, COMMANDED = told("connection-ended"), told("commanded")
NONE = told("none-seen", certainty=("certain", "likely", "open"))
GAP = told("recording-gap", certainty=("certain", "likely", "open"))

PAIRS = (
    # masters
    pair(masters.host_answers_echoes, NOT_HEARD, STOPPED, "icmp", devices=ALL),
    pair(masters.host_answers_look_ups, NOT_HEARD, STOPPED, "arp", devices=ALL),
    pair(masters.host_acknowledges_probes, NOT_HEARD, STOPPED, *OTHERS, "plc-zone3", devices=ALL),
    pair(masters.asks_the_others, STOPPED, DROPPED, *OTHERS, beside=ALL),
    pair(masters.process_ends, ENDED, STOPPED, *OTHERS, beside=ALL),
    pair(masters.asked_at_all, DROPPED, UNREACHABLE, "plc-zone3"),
    pair(masters.neighbour_answers, DROPPED, told("starved-by-neighbour"), "plc-zone2", beside=ALL),
    pair(masters.last_setpoint, DROPPED, COMMANDED, "plc-zone3"),
    pair(masters.zero_at_a_moment, NONE, COMMANDED, "plc-zone3", moment=True),
    pair(
        masters.which_register, NONE, COMMANDED, "plc-zone3", moment=True,
        keys=f'watchdog_register = {TIMEOUT}',
    ),
    pair(masters.writes_go_on, told("feed-wrong"), NONE, "plc-zone3", moment=True),
    pair(masters.one_poll_left_out, NONE, DROPPED, "plc-zone3", moment=True),
    # paths
    pair(paths.acknowledged, UNREACHABLE, STALLED, "plc-zone3"),
    pair(
        paths.other_connection_works, UNREACHABLE, told("flow-dead"), "station-zone3",
        wider=("device-unreachable",),
    ),
    pair(
        paths.look_ups_answered, UNREACHABLE, told("device-unreachable", "flow-dead", certainty=("open",)), "arp",
    ),
    pair(
        paths.new_connection_works, UNREACHABLE, told("flow-dead"), "plc-zone3", wider=("device-unreachable",)
    ),
    pair(
        paths.replies_seen, told("device-unreachable", never="return path"),
        told("device-unreachable", says="return path"), "plc-zone3",
    ),
    pair(paths.lease_of, UNREACHABLE, told("address-moved"), "dhcp", "arp", wider=("device-unreachable",)),
    pair(
        paths.announced_elsewhere, UNREACHABLE, told("address-moved"), "arp", wider=("device-unreachable",)
    ),
    pair(
        paths.lease_refused, UNREACHABLE, told("address-moved", says="refused"), "dhcp",
        wider=("device-unreachable",),
    ),
    pair(paths.announcement_alone, UNREACHABLE, UNREACHABLE, "arp"),
    pair(
        paths.owner_defends, told("connect-refused", "connection-ended"), told("address-conflict"), "arp",
        wider=("connect-refused", "connection-ended"),
    ),
    pair(
        paths.topology_changes, UNREACHABLE, told("path-event"), "bridges", devices=NEAR,
        wider=("device-unreachable",),
    ),
    pair(paths.several_devices, UNREACHABLE, told("path-event"), "plc-zone1", "plc-zone2", beside=NEAR),
    pair(
        paths.storm, UNREACHABLE, told("path-event"), "arp", devices=NEAR, wider=("device-unreachable",)
    ),
    # devices
    pair(devices.replies_come, STALLED, told("replies-late"), "plc-zone3", wider=("device-stalled",)),
    pair(devices.load_before_lateness, told("replies-late"), told("device-saturated"), "terminal-zone3"),
    pair(
        devices.window_closes, told("device-stalled", never="window"), told("device-stalled", says="window"),
        "plc-zone3",
    ),
    pair(devices.loaded_then_window, STALLED, told("device-saturated"), "terminal-zone3", "plc-zone3"),
    pair(devices.surplus_reads, told("device-slow"), told("device-saturated"), "terminal-zone3"),
    pair(devices.service_climbs, STALLED, told("device-slow"), "plc-zone3"),
    pair(devices.busy_replies, told("feed-wrong"), told("device-saturated"), "plc-zone3"),
    pair(devices.replies_recorded, STALLED, GAP, "plc-gateway", devices=("fan 2",)),
    pair(
        devices.target_or_gateway, STALLED, told("target-dead"), "plc-gateway", devices=("fan 2",),
        wider=("device-stalled",),
    ),
    pair(
        devices.which_exception, told("feed-wrong"), told("target-dead"), "plc-gateway", devices=("fan 2",)
    ),
    pair(
        devices.knows_its_connection, UNREACHABLE, told("device-restarted"), "plc-zone3",
        wider=("device-unreachable",),
    ),
    # connections
    pair(
        devices.refused_after, told("connect-refused"), told("device-restarted"), "plc-zone3", "arp",
        wider=("connect-refused",),
    ),
    pair(
        devices.who_resets, ENDED, told("device-restarted"), "plc-zone3", wider=("connection-ended",)
    ),
    pair(
        devices.why_it_resets, ENDED, told("device-restarted"), "plc-zone3", "arp",
        wider=("connection-ended",),
    ),
    pair(devices.attempts_refused, ENDED, told("connect-refused"), "plc-zone3"),
    pair(devices.refused_or_unheard, UNREACHABLE, told("connect-refused"), "plc-zone3"),
    pair(
        devices.served_meanwhile, told("connect-refused", never="no free slot"),
        told("connect-refused", says="no free slot"), "terminal-zone3",
    ),
    pair(
        devices.newcomer, told("connection-ended", never="evict"), told("connection-ended", says="evict"),
        "terminal-zone3",
    ),
    pair(devices.closed_at_all, DROPPED, ENDED, "plc-zone3"),
    # the recording
    pair(recorders.background, GAP, NOT_HEARD, "icmp", devices=ALL),
    pair(recorders.bytes_lacking, DROPPED, GAP),
    pair(
        recorders.recorder_away, told("recording-gap", certainty=("likely", "open")),
        told("recording-gap", certainty=("certain",)), devices=ALL,
    ),
)  # fmt: skip
