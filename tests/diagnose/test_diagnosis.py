"""States, incidents, order, the supported timeout and the exit status's property."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest

from mbsniff.capture import open_recording
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.diagnose.catalogue import CATALOGUE, SEVERITY
from mbsniff.diagnose.finding import LEVELS, STATES
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.site import Site
from mbsniff.site.limits import Limits
from tests.builders.measured import poll
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.builders.recorder import write
from tests.diagnose.built import SECOND, ZONE, codes, diagnosis, every, master

LONG, DATA_20 = bytes.fromhex("0300000014"), bytes.fromhex("0328") + bytes(40)


def whole(plant: Plant, site: Site) -> Diagnosis:
    """The diagnosis itself."""
    with tempfile.TemporaryDirectory() as folder:
        with open_recording([str(write(Path(folder) / "made.pcap", plant))]) as recording:
            exchange, facts = read_exchange(recording, compiled=False)
        return diagnose(exchange, facts, measure(exchange, facts, site, compiled=False), site)


def mixed() -> Plant:
    """Zone 0 fine, 1 due, 2 with a block too long, 3 only probed, 4 due longer and earlier."""
    plant = Plant()
    poll(master(plant, device=50), every(1, 0, 60))
    poll(master(plant, device=51), every(1, 0.1, 30) + every(1, 36.1, 60))
    poll(master(plant, device=52), every(1, 0.2, 60), request=LONG, reply=DATA_20)
    poll(master(plant, device=53), [0.3, 30.3])
    poll(master(plant, device=54), every(1, 0.4, 10) + every(1, 20.4, 60))
    return plant


MIXED = tuple(f"192.0.2.{n}" for n in range(50, 55))


def test_states_worst_first() -> None:
    """Due, risk, open, fine; of those due the longer silence first."""
    made = diagnosis(mixed(), devices=MIXED)
    assert [(d["name"], d["state"]) for d in made["devices"]] == [
        ("zone 4", "due"), ("zone 1", "due"), ("zone 2", "risk"), ("zone 3", "open"), ("zone 0", "fine"),
    ]  # fmt: skip
    assert tuple(dict.fromkeys(d["state"] for d in made["devices"])) == STATES


def test_findings_worst_first() -> None:
    """By level, then by the catalogue's order."""
    found = diagnosis(mixed(), devices=MIXED)["findings"]
    ranks = [(LEVELS.index(f["level"]), SEVERITY[f["code"]]) for f in found]
    assert ranks == sorted(ranks)
    assert {f["code"] for f in found} == {"watchdog-due", "block-too-long"}


def test_a_possible_trip_stands_above_what_was_not_judged() -> None:
    """Both are open: the device whose watchdog may have been due comes before one that was hardly asked."""
    plant = Plant()
    poll(master(plant), [5, 50])
    zone = master(plant, device=51, port=49153)
    poll(zone, every(1, 0, 20))
    kept = len(plant.wire)
    poll(zone, every(1, 20, 30), first=100)
    for sighting in plant.wire[kept:]:
        sighting.lost = True
    poll(zone, every(1, 30, 60), first=200)
    made = diagnosis(plant, devices=("192.0.2.50", "192.0.2.51"))
    told = [(device["name"], device["state"]) for device in made["devices"]]
    assert told == [("zone 1", "open"), ("zone 0", "open")]


def test_incidents_count_in_time() -> None:
    """The earlier silence is incident 1, the later one 2, though the former comes first by its length."""
    found = diagnosis(mixed(), devices=MIXED)["findings"]
    assert {f["name"]: f["incident"] for f in found if f["incident"]} == {"zone 4": 1, "zone 1": 2}


def test_silences_that_merely_overlap_are_incidents_of_their_own() -> None:
    """Zone 0 from 10 to 20 s, zone 1 from 18 to 28, zone 2 from 26 to 36, zone 3 from 45 on: each its own."""
    plant = Plant()
    for number, begin in enumerate((10, 18, 26, 45)):
        poll(master(plant, device=50 + number), every(1, 0, begin) + every(1, begin + 10, 60))
    found = diagnosis(plant, devices=MIXED[:4])["findings"]
    assert {f["name"]: f["incident"] for f in found} == {"zone 0": 1, "zone 1": 2, "zone 2": 3, "zone 3": 4}


@pytest.mark.parametrize("reply", ["8302", "830b"])
def test_a_scan_is_told_but_not_judged(reply: str) -> None:
    """Three requests that met exceptions: remarks, state open, no fault, whatever the code."""
    plant = Plant()
    poll(master(plant), [10, 20, 30], reply=bytes.fromhex(reply))
    poll(master(plant, 20), [10.5, 20.5, 30.5], request=LONG, reply=DATA_20)
    made = diagnosis(plant)
    assert codes(made) == {"exception-reply", "block-too-long"}
    assert {f["level"] for f in made["findings"]} == {"remark"}
    assert made["devices"][0]["state"] == "open"


@pytest.mark.parametrize(
    ("limits", "state"),
    [
        (Limits(), "open"),
        (Limits(watchdog_ns=20 * SECOND), "fine"),
        (ZONE, "due"),
        (Limits(watchdog_ns=0), "risk"),
    ],
)
def test_state_needs_a_stated_timeout(limits: Limits, state: str) -> None:
    """One silence of 11 s: fine only where a timeout is known and kept to."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    assert diagnosis(plant, limits)["devices"][0]["state"] == state


def test_has_fault() -> None:
    """A fault makes exit status 1; risks and remarks do not."""
    plant = Plant()
    poll(master(plant), every(2, 0, 60))
    risk = whole(plant, Site(defaults=ZONE))
    assert [f.level for f in risk.findings] == ["risk"]
    assert not risk.has_fault
    assert whole(plant, Site(defaults=Limits(watchdog_ns=SECOND))).has_fault
    assert not whole(plant, Site.empty()).has_fault


def test_supported_timeout_adds_retries_and_reconnecting() -> None:
    """Longest healthy silence 1 s (not 6 s) + time-out 1 s × 2 tries + 2 s to reconnect, and 20 %."""
    plant = Plant()
    link = master(plant).handshake()
    poll(link, every(1, 1, 20))
    poll(link, [20, 21], reply_s=None, first=300)
    link.close(MASTER, wait=1)
    link.close(DEVICE, wait=0.001)
    plant.wait(1.999)
    link = master(plant, port=50000).handshake()
    poll(link, every(1, 27, 60), first=400)
    device = diagnosis(plant, Limits())["devices"][0]
    assert device["longest_silence_s"] == 6
    assert device["supported_timeout_s"] == pytest.approx(1.2 * (1 + 1 * 2 + 2), abs=0.01)


def test_no_supported_timeout_for_a_device_only_probed() -> None:
    """Too little was seen of it."""
    plant = Plant()
    poll(master(plant), [0, 20, 40])
    device = diagnosis(plant, Limits())["devices"][0]
    assert (device["supported_timeout_s"], device["margin"], device["spare_polls"]) == (None, None, None)


def test_every_code_of_the_catalogue_is_shown_by_a_test() -> None:
    """Each code stands in a test here or below, and has a rank, a brief and what it must not be taken for."""
    texts = "".join(path.read_text() for path in Path(__file__).parent.rglob("*.py"))
    for kind in CATALOGUE:
        assert f'"{kind.code}"' in texts
        assert kind.brief and len(kind.brief) <= 17 and kind.look_alike
