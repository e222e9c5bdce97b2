"""Recoveries of built plants: held values, feedback, status registers, rounds, resets, the end of the recording."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from mbsniff.capture import frames_again, open_recording
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.diagnose.recovery import Recovery, recovery_sentences
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.report.as_json import diagnosis_json
from mbsniff.report.sheets import diagnosis_markdown
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Register, Site
from mbsniff.site.limits import FedBy, Tripped
from tests.audit.made import exchange as ask
from tests.audit.made import master, read_registers, set_register, site
from tests.builders.measured import at
from tests.builders.plant import BEGINS_NS, Plant
from tests.builders.recorder import write

SECOND = 10**9
SETPOINT = Register(
    "setpoint", first=40, type="int16", scale=0.1, engineering_unit="°C", feedback="setpoint in force"
)
IN_FORCE = Register("setpoint in force", first=1, access="ro", type="int16", scale=0.1, engineering_unit="°C")
WROTE = FedBy("write", ((40, 40),))
Cycle = Callable[[float], None]


def zone(*registers: Register, **limits: Any) -> Site:
    """A site with a zone whose watchdog trips after 3 s."""
    return site(*registers, **{"watchdog_ns": 3 * SECOND, **limits})


def whole(plant: Plant, declared: Site, *, again: bool = True, until_s: float = 40) -> Diagnosis:
    """The diagnosis; frames of another protocol show that the recorder was at work up to the end."""
    other = Plant()
    link = other.connection(("192.0.2.98", 40000), ("192.0.2.99", 80))
    for k in range(round(2 * until_s) + 1):
        at(other, k / 2)
        link.segment(0)
    with tempfile.TemporaryDirectory() as folder:
        path = str(write(Path(folder) / "made.pcap", Plant(plant.now_ns, [*plant.wire, *other.wire])))
        with open_recording([path]) as recording:
            exchange, facts = read_exchange(recording, compiled=False)
        figures = measure(exchange, facts, declared, compiled=False)
        look = (lambda ordinals: frames_again([path], ordinals)) if again else None
        return diagnose(exchange, facts, figures, declared, look)


def only(diagnosis: Diagnosis) -> Recovery:
    """The one recovery of it."""
    (recovery,) = [f.recovery for f in diagnosis.findings if f.recovery]
    return recovery


def seconds(time_ns: int) -> float:
    """After the recording's beginning."""
    return (time_ns - BEGINS_NS) / SECOND


def asked(
    *, silent: tuple[float, float], until_s: float = 40, status: Callable[[float], int] = lambda _: 1,
    in_force: Callable[[float], int] = lambda _: 2500, setpoint: Callable[[float], int] = lambda _: 2500,
    watched: bool = False,
) -> Plant:  # fmt: skip
    """A zone read and written each second but in a stretch; ``watched``: a station reads its status all the time."""
    plant = Plant()
    plc, station = master(plant), master(plant, "192.0.2.20", 50000)
    for k in range(round(until_s)):
        if not silent[0] < k + 0.1 < silent[1]:
            read_registers(plc, k + 0.1, 0, status(k + 0.1), in_force(k + 0.1))
            set_register(plc, k + 0.2, 40, setpoint(k + 0.2))
        if watched:
            read_registers(station, k + 0.6, 0, status(k + 0.6), in_force(k + 0.6))
    return plant


def test_a_held_value_with_its_age() -> None:
    """The setpoint written last, in engineering units, and how old it was when requests returned."""
    recovery = only(whole(asked(silent=(10, 20)), zone(SETPOINT, IN_FORCE, on_loss="hold")))
    (held,) = recovery.written
    assert (held.label, held.value, held.declared) == ("setpoint (holding 40 (no. 41))", 250.0, True)
    assert (seconds(held.at_ns), held.age_ns / SECOND) == pytest.approx((9.2, 10.9))
    told = recovery_sentences(recovery)
    assert told[0] == "Held when requests returned: setpoint (holding 40 (no. 41)) 250 °C, 10.9 s old"


def test_a_held_value_that_no_site_file_names_is_raw() -> None:
    """What was written most often, as it was on the wire."""
    recovery = only(whole(asked(silent=(10, 20)), zone(on_loss="hold")))
    assert (
        recovery_sentences(recovery)[0]
        == "Held when requests returned: holding 40 (no. 41) 2500 (raw), 10.9 s old"
    )


def test_a_refused_write_is_not_held() -> None:
    """The last write before the silence met an exception: the one before counts."""
    plant = asked(silent=(10, 20))
    plc = master(plant, port=49999)
    ask(plc, 9.4, bytes.fromhex("0600280001"), bytes.fromhex("8603"))
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    (held,) = only(whole(plant, zone(SETPOINT, IN_FORCE, on_loss="hold"))).written
    assert (held.value, seconds(held.at_ns)) == (250.0, pytest.approx(9.2))


def test_nothing_written_is_said() -> None:
    """A device that is only read holds something that this recording does not tell."""
    plant = Plant()
    plc = master(plant)
    for k in (*range(10), *range(20, 40)):
        read_registers(plc, k + 0.1, 0, 1, 2)
    told = recovery_sentences(only(whole(plant, zone(on_loss="hold"))))
    assert told[0] == "It holds its last output; what was written to it last is not in the recording"


def test_the_steps_back() -> None:
    """Requests, the first normal reply 10 ms later, the setpoint 100 ms later, then each poll has been asked."""
    recovery = only(whole(asked(silent=(10, 20)), zone(SETPOINT, IN_FORCE, on_loss="shut-off")))
    steps = (recovery.requests, recovery.reply, recovery.setpoint, recovery.full_round)
    assert [seconds(step.at_ns) for step in steps if step] == pytest.approx([20.1, 20.11, 20.2, 20.2])
    assert recovery.polls == 2
    assert recovery_sentences(recovery) == [
        "Requests returned at 03:04:25.100: first normal reply after 10 ms, first setpoint written after 100 ms, "
        "each of its 2 cyclic polls asked once after 100 ms"
    ]


def test_a_poll_that_ended_before_is_no_part_of_the_round() -> None:
    """A visitor read the zone each second up to 5 s: the round is that of who was there when the silence began."""
    plant = asked(silent=(10, 20))
    visitor = master(plant, "192.0.2.30", 51000)
    for k in range(5):
        read_registers(visitor, k + 0.8, 8, 1, 2)
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    recovery = only(whole(plant, zone(SETPOINT, IN_FORCE)))
    assert recovery.polls == 2 and recovery.full_round is not None


def test_a_round_that_is_not_complete() -> None:
    """After the return the zone is read, but not written any more: no full round, no setpoint."""
    plant = asked(silent=(10, 60))
    plc = master(plant, port=49999)
    for k in range(20, 40):
        read_registers(plc, k + 0.1, 0, 1, 2500)
    recovery = only(whole(plant, zone(SETPOINT, IN_FORCE)))
    assert recovery.reply is not None
    assert (recovery.setpoint, recovery.full_round) == (None, None)


def test_the_recording_ends_before_anything_returns() -> None:
    """An open end: no step, held values are as old as the recording's end."""
    recovery = only(whole(asked(silent=(10, 60)), zone(SETPOINT, IN_FORCE, on_loss="hold")))
    assert (recovery.requests, recovery.reply, recovery.setpoint, recovery.full_round) == (None,) * 4
    assert recovery.written[0].age_ns / SECOND == pytest.approx(30.8)
    assert recovery_sentences(recovery)[-1] == "Requests did not return before the recording ended"


STATUS = {"status_register": 0, "status_tripped": Tripped(2, 2), "fed_by": WROTE}


def tripped_from(begin: float, end: float) -> Callable[[float], int]:
    """A status that says so between two times."""
    return lambda at_s: 2 if begin <= at_s < end else 1


def test_a_watched_device_says_when_it_fell_back() -> None:
    """A station that feeds nothing reads the status each second: from 12.6 s on it says so, up to 23 s."""
    plant = asked(silent=(10, 20), status=tripped_from(12.3, 23), watched=True)
    proof = only(whole(plant, zone(SETPOINT, IN_FORCE, on_loss="shut-off", **STATUS))).proof
    assert proof and proof.before and proof.fell_back and proof.back
    assert proof.outcome == "fell back"
    times = [seconds(r.at_ns) for r in (proof.before, proof.fell_back, proof.back)]
    assert times == pytest.approx([11.61, 12.61, 23.11])


def test_a_watched_device_that_did_not_fall_back() -> None:
    """Its status, read each second of the silence, never says so: it did not, and cannot have restarted unseen."""
    diagnosis = whole(asked(silent=(10, 20), watched=True), zone(SETPOINT, IN_FORCE, **STATUS))
    proof = only(diagnosis).proof
    assert proof and (proof.outcome, proof.may_have_restarted) == ("did not", False)
    (due,) = [f for f in diagnosis.findings if f.code == "watchdog-due"]
    assert due.text.endswith("Its status register, read at 03:04:25.110, shows that it did not fall back")


@pytest.mark.parametrize(
    ("on_loss", "outcome"), [("shut-off", "did not"), ("hold", "unread"), (None, "unread")]
)
def test_a_status_read_only_afterwards(on_loss: str | None, outcome: str) -> None:
    """A trip that stays until it is reset would show then; one that ends with the next request would not."""
    any_request = {**STATUS, "fed_by": FedBy()}
    proof = only(
        whole(asked(silent=(10, 20)), zone(SETPOINT, IN_FORCE, on_loss=on_loss, **any_request))
    ).proof
    assert proof is not None and proof.outcome == outcome


def test_a_status_that_said_so_before() -> None:
    """Tripped since 5 s: this silence is not what did it."""
    plant = asked(silent=(10, 20), status=tripped_from(5, 30))
    proof = only(whole(plant, zone(SETPOINT, IN_FORCE, on_loss="shut-off", **STATUS))).proof
    assert proof is not None and proof.outcome == "before"


def test_no_second_look() -> None:
    """From standard input the steps are told, but not what registers said."""
    plant = asked(silent=(10, 20), status=tripped_from(12.3, 23))
    diagnosis = whole(plant, zone(SETPOINT, IN_FORCE, on_loss="hold", **STATUS), again=False)
    recovery = only(diagnosis)
    assert recovery.proof and recovery.proof.outcome == "no second look"
    assert recovery.reply is not None and recovery.feedback == () and recovery.feedback_looked_at == 0
    assert "status register" not in next(f.text for f in diagnosis.findings if f.recovery)


def test_a_feedback_that_left_its_setpoint() -> None:
    """Without a status register, behaviour: the setpoint in force fell to 20 °C and came back at 24 s."""
    plant = asked(silent=(10, 20), in_force=lambda at_s: 200 if 13 < at_s < 24 else 2500)
    recovery = only(whole(plant, zone(SETPOINT, IN_FORCE, on_loss="shut-off")))
    (left,) = recovery.feedback
    assert (left.setpoint, left.value) == (250.0, 20.0)
    assert left.back and (seconds(left.left.at_ns), seconds(left.back.at_ns)) == pytest.approx((20.11, 24.11))
    assert recovery_sentences(recovery)[0] == (
        "setpoint in force (holding 1 (no. 2)) left its setpoint (250 °C): 20 °C at 03:04:25.110, and was back at "
        "03:04:29.110"
    )


@pytest.mark.parametrize("setpoint", [lambda _: 2500, lambda at_s: 2500 if at_s < 15 else 1000])
def test_a_feedback_that_followed_says_nothing(setpoint: Callable[[float], int]) -> None:
    """It stood at its setpoint, or a new setpoint was written, which it needs a second to follow."""
    plant = asked(silent=(10, 20), setpoint=setpoint, in_force=lambda at_s: setpoint(at_s - 7))
    assert only(whole(plant, zone(SETPOINT, IN_FORCE))).feedback == ()


def test_a_reset_into_the_silence_and_one_after_it() -> None:
    """Written to the reset register by a station meanwhile, in vain, and 3 s after requests had returned."""
    plant = asked(silent=(10, 20))
    station = master(plant, "192.0.2.20", 50000)
    for at_s in (5.5, 15.5, 23.2, 25.5):
        set_register(station, at_s, 41, 1)
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    declared = zone(
        SETPOINT, IN_FORCE, on_loss="shut-off", reset_register=41, fed_by=FedBy("write", ((40, 40),))
    )
    recovery = only(whole(plant, declared))
    assert [seconds(reset.at_ns) for reset in recovery.resets] == pytest.approx([15.5, 23.2])
    assert [reset.arriving_ns for reset in recovery.resets] == [None, 3 * SECOND]
    assert recovery_sentences(recovery)[-1] == (
        "1 reset written while no request that feeds it was arriving, the first at 03:04:20.500; reset at "
        "03:04:28.200, 3 s after requests were arriving again"
    )


def test_json_page_and_markdown_tell_it() -> None:
    """Names that programs rely on; sentences on the page and in Markdown."""
    plant = asked(silent=(10, 20), status=tripped_from(12.3, 23), watched=True)
    diagnosis = whole(plant, zone(SETPOINT, IN_FORCE, on_loss="hold", reset_register=41, **STATUS))
    (told,) = [f["recovery"] for f in json.loads(diagnosis_json(diagnosis))["findings"] if f["recovery"]]
    assert told["requests"]["after_s"] == 0 and told["full_round"]["after_s"] == pytest.approx(0.9)
    assert told["status"]["outcome"] == "fell back" and told["status"]["fell_back"]["word"] == 2
    assert told["last_written"][0]["value"] == 250 and told["last_written"][0]["engineering_unit"] == "°C"
    assert told["last_written"][0]["age_s"] == 11
    page, text = diagnosis_page(diagnosis, 120), diagnosis_markdown(diagnosis)
    assert "Held when requests returned" in page and "Held when requests returned" in text
    assert "Its status register shows that it fell back" in " ".join(page.split())


def test_hostile_names_stay_inert() -> None:
    """A register's name with control characters and markup prints as harmless text."""
    bad = Register("set\x1b[31m\npoint", first=40, engineering_unit="\x07<b>")
    diagnosis = whole(asked(silent=(10, 20)), zone(bad, on_loss="hold"))
    page = diagnosis_page(diagnosis, 120)
    assert "\x1b" not in page and "\x07" not in page
    assert "<b>" not in diagnosis_markdown(diagnosis)
