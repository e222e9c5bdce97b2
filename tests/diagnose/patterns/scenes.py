"""Nothing in, a plant for each pattern and those that look alike out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.builders.plant import Plant
from tests.diagnose.patterns.framings import (
    damaged_headers,
    one_serial_reading,
    right_crc_by_chance,
    serial_frames,
)
from tests.diagnose.patterns.links import (
    all_reset,
    evictions,
    idle_closes,
    many_links,
    never_heard,
    no_slot,
    outages_of_two,
    probed,
    pulled_cable,
    reset_in_service,
    restart,
    same_port,
    same_port_unheard,
    service_down,
    short_connections,
    standing_by,
    unheard,
    unheard_attempts,
    window,
)
from tests.diagnose.patterns.messages import (
    asked_again,
    block_at_the_edge,
    crossed,
    cut_short,
    foreign_identifiers,
    identifier_again,
    life_sign,
    lockstep,
    one_identifier,
    one_late,
    other_unit,
    refusals,
    reply_twice,
    round_of_devices,
    two_requests,
    two_units,
    wrong_length,
)
from tests.diagnose.patterns.neighbours import (
    OTHER,
    V4_NEW,
    V4_ZONE,
    ZONE,
    announced_and_resumed,
    began_anew,
    leased,
    owners,
    restarted_and_announced,
    through_a_router,
)
from tests.diagnose.patterns.parts import (
    acknowledged_long_before,
    in_parts_that_wait_for_nothing,
    slow,
    split_requests,
    stalled,
)
from tests.diagnose.patterns.plants import healthy


@dataclass(frozen=True)
class Scene:
    """A pattern's code, a plant that shows it, and those that look alike and must not be taken for it."""

    code: str
    shows: Callable[[], Plant]
    look_alikes: tuple[Callable[[], Plant], ...]


SCENES = (
    Scene("late-lockstep", lockstep, (one_late, foreign_identifiers)),
    Scene(
        "segment-unread",
        two_requests(False),
        (two_requests(False, second=True), two_requests(True), two_requests(False, again=True)),
    ),
    Scene(
        "split-unread",
        split_requests(False),
        (split_requests(True), split_requests(False, again=True), split_requests(False, whole=True)),
    ),
    Scene(
        "small-segment-stall",
        stalled,
        (slow, in_parts_that_wait_for_nothing, acknowledged_long_before),
    ),
    Scene(
        "pipelining-ignored",
        two_requests(True),
        (two_requests(True, second=True), two_requests(False), two_requests(True, again=True)),
    ),
    Scene("reply-crossed", crossed, (lockstep, reply_twice("message"), other_unit)),
    Scene("reply-other-unit", other_unit, (crossed, foreign_identifiers)),
    Scene("device-restart", restart, (pulled_cable, reset_in_service, service_down, never_heard)),
    Scene("connections-refused", service_down, (no_slot, unheard_attempts)),
    Scene("no-free-slot", no_slot, (service_down, unheard_attempts)),
    Scene("connection-evicted", evictions, (all_reset, idle_closes([6, 6, 6, 6]))),
    Scene("connections-leaked", many_links(True), (many_links(False), evictions)),
    Scene("same-port-restart", same_port, (same_port_unheard, restart)),
    Scene("same-port-restart", began_anew(True), (began_anew(False),)),
    Scene("device-restart", restarted_and_announced, (announced_and_resumed,)),
    Scene(
        "address-shared",
        owners(ZONE, OTHER, ZONE, OTHER),
        (owners(ZONE, OTHER), owners(ZONE, ZONE, ZONE), through_a_router),
    ),
    Scene(
        "address-shared", owners(ZONE, OTHER, ZONE, by_lookup=False), (owners(ZONE, OTHER, by_lookup=False),)
    ),
    Scene("window-closed", window(8), (window(0.4), unheard)),
    Scene("window-closed", window(8, opens=False), (pulled_cable,)),
    Scene("address-moved", leased(V4_NEW), (leased(V4_ZONE), leased(None, power=False))),
    Scene("unit-silent", two_units(None), (two_units(None, first_answers=False), two_units(b"\x83\x0b"))),
    Scene("target-silent", two_units(b"\x83\x0b"), (two_units(b"\x83\x0a"), two_units(None))),
    Scene("gateway-path", two_units(b"\x83\x0a"), (two_units(b"\x83\x0b"), two_units(None))),
    Scene("busy-with-load", refusals(6, load=True), (refusals(4, load=True), refusals(6, load=False))),
    Scene("block-edge", block_at_the_edge(2), (block_at_the_edge(3),)),
    Scene("wrong-length", wrong_length, (cut_short,)),
    Scene("reply-twice", reply_twice("message"), (reply_twice("TCP"), reply_twice("mirror"), crossed)),
    Scene(
        "reconnect-storm", short_connections(0.2, 1), (short_connections(0.2, 25), short_connections(1.5, 1))
    ),
    Scene("idle-close", idle_closes([6, 6, 6, 6]), (idle_closes([3, 6, 9, 12]), evictions)),
    Scene("probes-only", probed, (standing_by, pulled_cable, window(8))),
    Scene(
        "life-sign-frozen",
        life_sign([*range(30), *[30] * 30]),
        (life_sign([*range(60)]), life_sign([k // 10 for k in range(60)])),
    ),
    Scene("fixed-identifier", one_identifier, (lockstep, healthy)),
    Scene(
        "identifier-reused",
        identifier_again(False),
        (identifier_again(True), one_identifier, asked_again(False)),
    ),
    Scene("starved", round_of_devices(True), (round_of_devices(False), round_of_devices(True, own=True))),
    Scene("backed-off", outages_of_two(True), (outages_of_two(False), pulled_cable)),
    Scene("serial-framing", serial_frames, (right_crc_by_chance, damaged_headers, one_serial_reading)),
    Scene("resent-request", asked_again(False), (asked_again(True),)),
)
