"""Recoveries of the recordings under samples/causes, held against their frames as dpkt reads them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import cache

import pytest

from mbsniff.capture import frames_again, open_recording
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.recovery import Recovery, recoveries, recovery_sentences
from mbsniff.diagnose.watchdog import beyond_timeout
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.site import load_site
from tests.lab.frames import SAMPLES, Frame, frames
from tests.lab.window import requests

PLANTED = {
    each["name"]: each for each in tomllib.loads((SAMPLES / "causes.toml").read_text("utf-8"))["recording"]
}
RESTARTED = {"port-closed", "device-restarted"}  # a zone that starts anew knows of no trip
SPLIT = {"link-back"}  # the one reply that says so came in two segments, of which a second look makes nothing
DUE = sorted(name for name, planted in PLANTED.items() if planted["due"])
SECOND = 10**9


@cache
def recovered(name: str) -> dict[str, list[Recovery]]:
    """The recoveries of each device by name, of all silences beyond the timeout in time order, and the start."""
    path = str(SAMPLES / PLANTED[name]["file"])
    site = load_site(str(SAMPLES / "oven-fed-by-plc.toml"))
    with open_recording([path]) as recording:
        exchange, facts = read_exchange(recording, compiled=False)
    case = Case(exchange, facts, measure(exchange, facts, site, compiled=False), site)
    silent = [(d, s) for d in case.figures.devices for s in beyond_timeout(d)]
    found: dict[str, list[Recovery]] = {}
    for (device, _), recovery in zip(
        silent, recoveries(case, silent, lambda n: frames_again([path], n)), strict=True
    ):
        found.setdefault(device.name or "", []).append(recovery)
    return found


def starts_ns(name: str) -> int:
    """When the recording begins."""
    with open_recording([str(SAMPLES / PLANTED[name]["file"])]) as recording:
        return read_exchange(recording, compiled=False)[1].starts_ns or 0


def feeds_of(zone: str, rows: tuple[Frame, ...]) -> list[Frame]:
    """What feeds a zone: setpoints written to zones 1 to 3, the PLC's reads of zones 4 to 6."""
    asked = requests(rows, to=zone)
    if int(zone[4:]) <= 3:
        return [f for f in asked if f.data[7:10] == b"\x06\0\x28"]  # function 6, address 40 (V1.1b3, 6.6)
    return [f for f in asked if f.function == 3]


def says_tripped(message: bytes) -> bool | None:
    """What a reply that holds the status register (3, bit 1) says; None where it does not (V1.1b3, 6.3 and 6.17)."""
    if len(message) < 9 + 8 or message[7] not in (3, 23) or message[8] < 8:
        return None
    return bool(message[9 + 2 * 3 + 1] & 2)


def messages(payload: bytes) -> Iterator[bytes]:
    """The messages of a segment, by the length field of their headers (V1.0b, 3.1.3)."""
    while len(payload) > 6:
        size = 6 + int.from_bytes(payload[4:6], "big")
        yield payload[:size]
        payload = payload[size:]


def statuses(rows: tuple[Frame, ...], zone: str) -> list[tuple[float, bool]]:
    """(time, what it says) of each reply with the status register; what TCP sent again counts once."""
    first = {(f.dport, f.seq): f for f in reversed(rows) if f.source == zone and f.sport == 502 and f.data}
    replies = sorted(first.values(), key=lambda f: f.at_s)
    found = [(f.at_s, says_tripped(message)) for f in replies for message in messages(f.data)]
    return [(at_s, says) for at_s, says in found if says is not None]


@pytest.mark.parametrize("name", DUE)
def test_what_the_status_register_says(name: str) -> None:
    """Each zone whose watchdog was due fell back by its own status, unless it started anew and knows of none."""
    for device in PLANTED[name]["devices"]:
        if not device.startswith("zone"):
            continue
        proof = recovered(name)[device][0].proof
        assert proof is not None
        if name in SPLIT:
            assert proof.outcome == "unread"
        elif name in RESTARTED:
            assert (proof.outcome, proof.may_have_restarted) == ("did not", True)
        else:
            assert proof.outcome == "fell back"


@pytest.mark.parametrize("name", [name for name in DUE if name not in RESTARTED | SPLIT])
def test_the_readings_are_those_in_the_frames(name: str) -> None:
    """The first reading that says so, the last that does not, and the first that does so no longer, to 0.1 ms."""
    rows, start = frames(PLANTED[name]["file"]), starts_ns(name)
    for device, all_of_it in recovered(name).items():
        if not device.startswith("zone"):
            continue
        proof, zone = all_of_it[0].proof, device.replace(" ", "")
        assert proof is not None and proof.fell_back is not None
        said = statuses(rows, zone)
        first = next(k for k, (_, tripped) in enumerate(said) if tripped)
        back = next((at_s for at_s, tripped in said[first:] if not tripped), None)
        assert (proof.fell_back.at_ns - start) / SECOND == pytest.approx(said[first][0], abs=1e-4)
        assert proof.before is None or (proof.before.at_ns - start) / SECOND == pytest.approx(
            said[first - 1][0], abs=1e-4
        )
        assert (proof.back is None) == (back is None)
        if proof.back and back:
            assert (proof.back.at_ns - start) / SECOND == pytest.approx(back, abs=1e-4)


@pytest.mark.parametrize("name", [name for name in DUE if name != "target-dead"])
def test_feeds_returned_when_the_frames_say_so(name: str) -> None:
    """The request that ended the silence is a feed in the frames, the one after the longest gap between feeds."""
    rows, start = frames(PLANTED[name]["file"]), starts_ns(name)
    for device in PLANTED[name]["devices"]:
        times = [f.at_s for f in feeds_of(device.replace(" ", ""), rows)]
        begun = recovered(name)[device][0].requests
        assert begun is not None
        assert min(abs(at_s - (begun.at_ns - start) / SECOND) for at_s in times) < 1e-4


@pytest.mark.parametrize("name", DUE)
def test_steps_come_in_order_and_in_time(name: str) -> None:
    """Requests, then a normal reply, then a setpoint and a full round; all within what was recorded."""
    for device in PLANTED[name]["devices"]:
        for recovery in recovered(name)[device]:
            begun = recovery.requests
            assert begun is not None and recovery.reply is not None and recovery.full_round is not None
            assert begun.at_ns <= recovery.reply.at_ns and begun.at_ns <= recovery.full_round.at_ns
            assert recovery.due_ns <= recovery.until_ns and recovery.polls >= 1
            assert recovery.setpoint is None or recovery.setpoint.at_ns >= begun.at_ns
            assert all(recovery_sentences(recovery))


@pytest.mark.parametrize("name", [name for name in DUE if name not in (*RESTARTED, "target-dead")])
def test_resets_are_those_of_the_plc(name: str) -> None:
    """The reset after the return is a write to register 41 in the frames (function 6), while feeds were arriving."""
    rows, start = frames(PLANTED[name]["file"]), starts_ns(name)
    for device in PLANTED[name]["devices"]:
        zone = device.replace(" ", "")
        written = [f.at_s for f in requests(rows, to=zone) if f.data[7:10] == b"\x06\0\x29"]
        for reset in recovered(name)[device][0].resets:
            assert min(abs(at_s - (reset.at_ns - start) / SECOND) for at_s in written) < 1e-4
        arriving = [r.arriving_ns for r in recovered(name)[device][0].resets if r.arriving_ns is not None]
        assert len(arriving) == 1


def test_resets_into_a_silence_are_told() -> None:
    """Zone 3 is read, and reset again and again, but gets no setpoint: these resets cannot hold."""
    (recovery,) = recovered("feed-wrong")["zone 3"]
    early = [r for r in recovery.resets if r.arriving_ns is None]
    assert len(early) == 5
    assert any("5 resets written while no request that feeds it" in s for s in recovery_sentences(recovery))


def test_a_second_silence_has_its_own_proof() -> None:
    """Zone 5 is starved twice: it fell back, was reset, and fell back again; zone 1 was never reset in between."""
    first, second = recovered("starved-by-neighbour")["zone 5"]
    assert first.proof and second.proof and first.proof.fell_back and second.proof.fell_back
    assert (first.proof.outcome, second.proof.outcome) == ("fell back", "fell back")
    assert first.proof.back and first.proof.back.at_ns < second.due_ns < second.proof.fell_back.at_ns
    proofs = [recovery.proof for recovery in recovered("starved-by-neighbour")["zone 1"]]
    assert [proof.outcome for proof in proofs if proof] == ["fell back", "before"]


def test_a_recorder_that_stopped_is_no_proof_of_a_trip() -> None:
    """The zones were fed all the time: no trip is seen, which a device that restarted would not know of either."""
    for device, (recovery,) in recovered("recorder-stopped").items():
        if device.startswith("zone"):
            assert recovery.proof and recovery.proof.outcome == "did not"
            assert recovery.proof.may_have_restarted
