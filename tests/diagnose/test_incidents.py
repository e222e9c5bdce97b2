"""Which silences belong together: what begins together with one cause, path or master, and what followed from it."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from mbsniff.capture import open_recording
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Site, load_site
from mbsniff.site.limits import Device
from tests.builders.measured import at, poll
from tests.builders.plant import Plant
from tests.diagnose.built import ZONE, diagnosis, every, finding, master
from tests.diagnose.test_diagnosis import whole
from tests.lab.frames import SAMPLES

PLANTED = {
    each["name"]: each for each in tomllib.loads((SAMPLES / "causes.toml").read_text("utf-8"))["recording"]
}
SHARED = [name for name, planted in PLANTED.items() if planted["due"] and len(planted["devices"]) > 1]
ALONE = [name for name, planted in PLANTED.items() if planted["due"] and len(planted["devices"]) == 1]


def recording(name: str) -> Diagnosis:
    """The diagnosis of a recording of one cause."""
    site = load_site(str(SAMPLES / "oven-fed-by-plc.toml"))
    with open_recording([str(SAMPLES / PLANTED[name]["file"])]) as opened:
        exchange, facts = read_exchange(opened, compiled=False)
    return diagnose(exchange, facts, measure(exchange, facts, site, compiled=False), site)


def zones(*last: int) -> tuple[str, ...]:
    """Addresses of zones."""
    return tuple(f"192.0.2.{n}" for n in last)


def incidents(made: dict[str, Any]) -> list[set[str]]:
    """The devices of each incident, by the last part of their addresses."""
    return [{key.split(":")[0].rsplit(".", 1)[1] for key in i["devices"]} for i in made["incidents"]]


@pytest.mark.parametrize("name", SHARED)
def test_one_incident_of_all_its_zones(name: str) -> None:
    """What really was one event is one incident, in one finding before all others, that lists its zones."""
    made, planted = recording(name), PLANTED[name]
    names = {d.key: d.name for d in made.figures.devices}
    first = made.findings[0]
    assert (first.code, first.level, first.device) == ("incident", "fault", None)
    assert {names[key] for key in first.devices} == {*planted["devices"], *planted.get("also", {})}
    assert [i.number for i in made.incidents] == [1]
    assert sum(f.code == "incident" for f in made.findings) == 1


@pytest.mark.parametrize("name", ALONE)
def test_a_device_alone_is_no_incident_to_tell(name: str) -> None:
    """Silences of one device have a number, and their own findings say it all."""
    made = recording(name)
    assert "incident" not in {f.code for f in made.findings}
    assert {len(i.devices) for i in made.incidents} == {1}
    assert not any(v.with_others for v in made.verdicts)


def test_a_dead_neighbour_comes_first_and_the_starved_after_it() -> None:
    """First cause and consequences, in words and as data; also the silences that began later belong to it."""
    made = recording("starved-by-neighbour")
    (incident,) = made.incidents
    names = {d.key: d.name for d in made.figures.devices}
    assert incident.cause == "device-stalled" and [names[key] for key in incident.first] == ["zone 2"]
    ((code, starved),) = incident.consequences
    assert code == "starved-by-neighbour" and len(starved) == 5
    assert "first zone 2 (device-stalled)" in incident.text
    assert "in consequence zones 1 and 3 to 6 (starved-by-neighbour)" in incident.text
    due = [f for f in made.findings if f.code == "watchdog-due"]
    assert len(due) > 6 and {f.incident for f in due} == {1}


def test_two_causes_at_one_time_by_chance() -> None:
    """Zone 0 is not asked, while zone 1 of another master stays silent on the wire: two incidents."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    poll(master(plant, device=52), every(1, 0.5, 60))
    other = master(plant, 20, device=51, port=50000)
    poll(other, every(1, 0.2, 20))
    poll(other, [20.2], reply_s=None, first=300)
    for k in range(6):
        at(plant, 20.5 + k)
        other.again(0)
    poll(other, every(1, 30.2, 60), first=400)
    made = diagnosis(plant, devices=zones(50, 51, 52))
    assert sorted(map(sorted, incidents(made))) == [["50"], ["51"]]
    assert "incident" not in {f["code"] for f in made["findings"]}


def test_one_cause_that_came_later_is_another_incident() -> None:
    """Zone 1 stops being asked 5 s after zone 0, while that is still silent."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 32, 60))
    poll(master(plant, device=51), every(1, 0.2, 25) + every(1, 33.2, 60))
    poll(master(plant, device=52), every(1, 0.5, 60))
    assert sorted(map(sorted, incidents(diagnosis(plant, devices=zones(50, 51, 52))))) == [["50"], ["51"]]


def test_polls_of_one_master_dropped_together() -> None:
    """Two zones that one master stopped asking at one moment; a third, of another master, with them by chance."""
    plant = Plant()
    for number in (50, 51):
        poll(master(plant, device=number), every(1, number / 100, 20) + every(1, 30 + number / 100, 60))
    poll(master(plant, device=52), every(1, 0.1, 60))
    poll(master(plant, 20, device=53, port=50000), every(1, 0.4, 20) + every(1, 30.4, 60))
    poll(master(plant, 20, device=54, port=50001), every(1, 0.6, 60))
    made = diagnosis(plant, devices=zones(50, 51, 52, 53, 54))
    assert sorted(map(sorted, incidents(made))) == [["50", "51"], ["53"]]
    found = finding(made, "incident")
    assert found["text"].startswith("2 devices without feeds from 03:04:")
    assert found["devices"] == ["192.0.2.50:502/1", "192.0.2.51:502/1"]
    rows = {d["name"]: d for d in made["devices"]}
    assert [d["name"] for d in made["devices"]][:3] in (
        ["zone 0", "zone 1", "zone 3"], ["zone 1", "zone 0", "zone 3"],
        ["zone 3", "zone 0", "zone 1"], ["zone 3", "zone 1", "zone 0"],
    )  # fmt: skip
    assert rows["zone 2"]["state"] == "fine"


def many(devices: int) -> Diagnosis:
    """So many zones, up to 508, that one master stops asking together, and one that it goes on with."""
    nets = ("198.51.100", "203.0.113")  # RFC 5737
    addresses = [f"{nets[n // 254]}.{1 + n % 254}" for n in range(devices)]
    plant = Plant()
    for number, address in enumerate(addresses):
        link = plant.connection(("192.0.2.10", 10000 + number), (address, 502))
        offset = number / (devices + 1)
        poll(link, [k + offset for k in (*range(8), *range(14, 22))], reply_s=0.0001)
    poll(plant.connection(("192.0.2.10", 9999), ("192.0.2.99", 502)), every(1, 0, 22))
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    declared = [Device(f"zone {n}", a, units=(1,), limits=ZONE) for n, a in enumerate(addresses, 1)]
    return whole(plant, Site(devices=tuple(declared)))


def test_five_hundred_at_once_stay_readable() -> None:
    """One short finding that names them all; on the page, of the 500 findings of theirs three and how many more."""
    made = many(500)
    first = made.findings[0]
    assert first.code == "incident" and len(first.devices) == 500
    assert "500 devices" in first.text and "zones 1 to 500" in first.text
    assert len(first.text) < 600 and len(first.evidence) <= 8
    page = diagnosis_page(made, 120)
    told = page[page.index("1. fault, incident") :]
    assert len(told.splitlines()) < 80
    assert "497 more of the kind" in " ".join(told.split())
    assert all(v.with_others for v in made.verdicts if v.state == "due")


def test_the_page_marks_devices_of_one_incident() -> None:
    """A number behind the state, and below the table what it means."""
    page = diagnosis_page(recording("trunk-down"), 120)
    assert sum(line.startswith("due [1]  zone") for line in page.splitlines()) == 3
    assert "State [n]: one of the devices of incident n." in page
    assert "[1]" not in diagnosis_page(recording("device-link-down"), 120)
