"""Reads a second, blocks and neighbouring reads against limits, at their edges."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits
from tests.builders.measured import poll
from tests.builders.plant import Plant
from tests.builders.readings import read
from tests.builders.recorder import write
from tests.diagnose.built import ZONE, codes, diagnosis, every, finding, master

BUSY = bytes.fromhex("8306")
FOUR = bytes.fromhex("0308") + bytes(8)


def units(plant: Plant, *limits: Limits) -> dict[str, Any]:
    """The JSON where unit 1, 2, … of 192.0.2.50 have these limits."""
    devices = tuple(
        Device(f"zone {n}", "192.0.2.50", units=(n,), gateway=True, limits=own)
        for n, own in enumerate(limits, 1)
    )
    with tempfile.TemporaryDirectory() as folder:
        return read(write(Path(folder) / "made.pcap", plant), Site(devices=devices)).json


def four_units(jitter_s: float = 0.0, period_s: float = 1) -> Plant:
    """Four units, each read once a period; all of them a little early from 30 s on."""
    plant = Plant()
    for unit in range(1, 5):
        times = every(period_s, 0.03 * unit, 30) + [
            t - jitter_s for t in every(period_s, 30 + 0.03 * unit, 60)
        ]
        poll(master(plant, port=49152 + unit), times, reply_s=0.01, unit=unit)
    return plant


def test_every_cyclic_poll_of_the_endpoint_may_jitter() -> None:
    """Four units read at exactly the limit together, once moved by a little: no fault, whatever unit is first."""
    made = units(four_units(0.15), *[ZONE] * 4)
    assert max(end["busiest_ten_seconds_reads"] for end in made["endpoints"]) > 41
    assert codes(made, "fault") == set()


def test_the_endpoint_bears_all_its_units() -> None:
    """Four units, each read 1.5 times a second, against 4: too dense, told once."""
    made = units(four_units(period_s=0.65), *[ZONE] * 4)
    assert [f["code"] for f in made["findings"] if f["level"] == "fault"] == ["reads-too-dense"]


def test_the_limit_holds_whichever_unit_states_it() -> None:
    """Only unit 3 states a limit: it holds for the endpoint and is told there."""
    none = Limits(watchdog_ns=ZONE.watchdog_ns)
    made = units(four_units(period_s=0.65), none, none, ZONE, none)
    assert finding(made, "reads-too-dense")["name"] == "zone 3"


def test_a_bursts_trouble_may_be_another_units() -> None:
    """Eight reads in a second, and another unit answers busy (V1.1b3, 7: 06): a fault."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60), reply_s=0.01)
    poll(master(plant, port=50000), [*every(1, 0.5, 20), *every(0.12, 20.1, 20.9)], unit=2, reply_s=0.01)
    link = master(plant, port=50001)
    poll(link, every(1, 0.3, 20), unit=3, reply_s=0.01)
    quiet = units(plant, *[ZONE] * 3)
    poll(link, [20.3], unit=3, reply=BUSY, reply_s=0.01, first=500)
    busy = units(plant, *[ZONE] * 3)
    assert [f["level"] for f in quiet["findings"] if f["code"] == "reads-too-dense"] == ["remark"]
    assert [f["level"] for f in busy["findings"] if f["code"] == "reads-too-dense"] == ["fault"]


def test_the_sum_is_not_at_fault_where_one_master_alone_is() -> None:
    """5 and 1 reads a second against 4: the first master alone asks too much."""
    plant = Plant()
    poll(master(plant), every(0.2, 0, 60), reply_s=0.01)
    poll(master(plant, 20), every(1, 0.1, 60), reply_s=0.01)
    assert codes(diagnosis(plant), "fault") == {"reads-too-dense"}


def test_nothing_is_too_dense_or_too_long_without_a_limit() -> None:
    """125 registers ten times a second, and no limit stated: no verdict."""
    plant = Plant()
    block, data = bytes.fromhex("030000007d"), bytes.fromhex("03fa") + bytes(250)
    poll(master(plant), every(0.1, 0, 20), request=block, reply=data, reply_s=0.01)
    assert codes(diagnosis(plant, Limits(), until_s=20)) == set()


def test_a_block_at_the_limit_is_not_too_long() -> None:
    """16 against 16; 17, once, is told with one time."""
    plant = Plant()
    sixteen, data = bytes.fromhex("0300000010"), bytes.fromhex("0320") + bytes(32)
    poll(master(plant), every(1, 0, 60), request=sixteen, reply=data)
    assert codes(diagnosis(plant)) == set()
    poll(
        master(plant, port=50000),
        [30.5],
        request=bytes.fromhex("0300000011"),
        reply=bytes.fromhex("0322") + bytes(34),
    )
    made = diagnosis(plant)
    assert codes(made) == {"block-too-long"}
    text = finding(made, "block-too-long")["text"]
    assert "read holding registers 0-16 (function 3) by 192.0.2.10 (1 time)" in text


def pair(plant: Plant, second: int = 4, period_s: float = 1) -> Plant:
    """Registers 0-3 every second, four more from ``second`` on."""
    poll(master(plant), every(1, 0, 60), request=bytes.fromhex("0300000004"), reply=FOUR)
    poll(master(plant, port=50000), every(period_s, 0.4, 60), request=bytes([3, 0, second, 0, 4]), reply=FOUR)
    return plant


def test_reads_that_the_device_cannot_join_are_not_scattered() -> None:
    """Reading across was tried and refused with 02."""
    plant = pair(Plant())
    poll(master(plant, port=50001), [30.2], request=bytes.fromhex("0300000008"), reply=bytes.fromhex("8302"))
    assert "scattered-reads" not in codes(diagnosis(plant))


def test_reads_of_unlike_periods_are_not_scattered() -> None:
    """What is needed every second is not joined with what is needed every five."""
    assert codes(diagnosis(pair(Plant(), period_s=5))) == set()


def test_reads_that_make_too_long_a_block_are_not_scattered() -> None:
    """Together 8 registers, where the device takes 7 at once."""
    limits = Limits(watchdog_ns=ZONE.watchdog_ns, max_block=7)
    assert codes(diagnosis(pair(Plant()), limits)) == set()


def test_scattered_reads_say_what_would_do() -> None:
    """One block, named."""
    text = finding(diagnosis(pair(Plant())), "scattered-reads")["text"]
    assert "reads 0-3, 4-7 with function 3 in 2 requests; 1 block would do: 0-7" in text
