"""Whole plans: what is wanted, from a recording or a register list, and what comes of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mbsniff.plan import Plan, plan_polls
from mbsniff.site import FedBy, Register, Site
from tests.plan.line import PLC, SECOND, STATION, Asked, recorded, site_of

Row = tuple[str, int, int, int, float]


def rows(plan: Plan) -> list[Row]:
    """Master, function, first and last address, period in seconds, of each planned poll."""
    return [(p.master, p.function, p.first, p.first + p.count - 1, p.period_ns / SECOND) for p in plan.polls]


def planned(asked: list[Asked], site: Site | None = None) -> Plan:
    """The plan from a recording of these requests."""
    return plan_polls(recorded(asked, site), site or Site.empty())


def test_scattered_reads_of_one_master_become_one() -> None:
    """Three neighbouring blocks of one master and period are read at once; 10 to 12 is not crossed."""
    plan = planned([Asked(PLC, 0, 4, 1), Asked(PLC, 4, 4, 1), Asked(PLC, 8, 2, 1), Asked(PLC, 13, 2, 1)])
    assert rows(plan) == [(PLC, 3, 0, 9, 1.0), (PLC, 3, 13, 14, 1.0)]


def test_a_gap_is_bridged_where_another_master_was_answered() -> None:
    """What the station reads is known to be readable, so the PLC's block may cross it."""
    plan = planned([Asked(PLC, 0, 2, 1), Asked(PLC, 6, 2, 1), Asked(STATION, 2, 4, 5)])
    assert (PLC, 3, 0, 7, 1.0) in rows(plan)
    bridging = next(p for p in plan.polls if p.master == PLC)
    assert bridging.wanted_count == 4


def test_a_gap_is_bridged_where_the_site_file_declares_it_and_not_where_it_forbids() -> None:
    """Declared readable: one read; declared unreadable: two, although a block across it was answered."""
    asked = [Asked(PLC, 0, 2, 1), Asked(PLC, 6, 2, 1)]
    readable = site_of(Register("spare", first=2, count=4, access="ro"))
    assert rows(planned(asked, readable)) == [(PLC, 3, 0, 7, 1.0)]
    hole = site_of(Register("hole", first=3, access="none"))
    across = planned([*asked, Asked(STATION, 0, 8, 5)], hole)
    assert [r for r in rows(across) if r[0] == PLC] == [(PLC, 3, 0, 1, 1.0), (PLC, 3, 6, 7, 1.0)]
    assert [r[2:4] for r in rows(across) if r[0] == STATION] == [(0, 2), (4, 7)]
    assert any("declared unreadable" in text for text, _ in across.notes)


def test_the_block_across_the_end_is_left_out_and_what_is_readable_of_it_kept() -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 7: 96 with quantity 5 gets 02 where 99 is the last."""
    plan = planned([Asked(PLC, 96, 4, 1), Asked(PLC, 96, 5, 1, refused=2)])
    assert rows(plan) == [(PLC, 3, 96, 99, 1.0)]
    assert any("100 is not known to be readable" in text for text, _ in plan.notes)


def test_a_quantity_that_was_refused_limits_the_blocks() -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 7: 03, a quantity that the device does not take."""
    asked = [Asked(PLC, 0, 8, 1), Asked(PLC, 8, 8, 1), Asked(PLC, 0, 12, 1, refused=3)]
    assert [r[2:4] for r in rows(planned(asked))] == [(0, 10), (11, 15)]


def test_the_standards_most_holds_where_nothing_is_stated() -> None:
    """MODBUS Application Protocol Specification V1.1b3, sections 6.1 and 6.3: 2000 coils, 125 registers."""
    coils = [Asked(PLC, n, 1000, 1, function=1) for n in (0, 1000, 2000)]
    assert sorted(r[3] - r[2] + 1 for r in rows(planned(coils))) == [1000, 2000]
    registers = [Asked(PLC, n, 100, 1) for n in (0, 100, 200)]
    plan = planned(registers)
    assert sorted(r[3] - r[2] + 1 for r in rows(plan)) == [50, 125, 125]
    assert any("max_block is not stated" in text for text, _ in plan.notes)


def test_a_register_limit_is_not_held_against_coils() -> None:
    """Sixteen registers at once says nothing of how many coils."""
    asked = [Asked(PLC, 0, 40, 1, function=1), Asked(PLC, 40, 40, 1, function=1)]
    assert rows(planned(asked, site_of(max_block=16))) == [(PLC, 1, 0, 79, 1.0)]


def test_a_value_of_32_bits_stays_whole() -> None:
    """The recording reads half of it and a neighbour; the plan reads all of it in one block."""
    site = site_of(Register("energy", first=3, count=2, type="uint32", access="ro"), max_block=4)
    assert [r[2:4] for r in rows(planned([Asked(PLC, 0, 4, 1)], site))] == [(0, 2), (3, 4)]


def test_a_register_list_alone_makes_a_plan() -> None:
    """Without a recording: registers with a period, for the masters that they name, else the first that may read."""
    site = site_of(
        Register("temperature", first=0, period_ns=SECOND),
        Register("trips", first=1, period_ns=5 * SECOND, masters=("station",)),
        Register("counter", table="input", first=0, period_ns=2 * SECOND, access="ro"),
        Register("spare", first=2, count=10),
        masters=("station", "plc"),
    )
    plan = plan_polls(None, site)
    assert rows(plan) == [(STATION, 3, 0, 1, 1.0), (STATION, 4, 0, 0, 2.0)]
    assert plan.devices[0].before is None
    assert any("assumed to differ" in text for text, _ in plan.notes)


def test_the_register_lists_period_goes_before_the_recorded_one() -> None:
    """The one that reads it most often gets it at the listed period; the other goes on as recorded."""
    site = site_of(Register("temperature", first=0, period_ns=2 * SECOND))
    plan = planned([Asked(PLC, 0, 1, 1), Asked(STATION, 0, 1, 5)], site)
    assert rows(plan) == [(PLC, 3, 0, 0, 2.0), (STATION, 3, 0, 0, 5.0)]


def test_a_period_for_an_unreadable_register_is_an_obstacle() -> None:
    """The wish contradicts the declaration: it is told, and not planned."""
    plan = plan_polls(None, site_of(Register("hole", first=3, access="none", period_ns=SECOND)))
    assert rows(plan) == []
    assert [o.kind for o in plan.obstacles] == ["unreadable"]


def test_a_master_that_may_not_read_is_left_out_unless_another_reads_for_it() -> None:
    """The site file admits only the PLC; through it, the visitor's registers are read after all, once each."""
    asked = [Asked(PLC, 0, 4, 1), Asked(STATION, 0, 8, 2)]
    site = site_of(masters=("plc",))
    plan = planned(asked, site)
    assert rows(plan) == [(PLC, 3, 0, 3, 1.0)]
    assert any("may not read here" in text for text, _ in plan.notes)
    through = plan_polls(recorded(asked, site), site, through="plc")
    assert rows(through) == [(PLC, 3, 0, 7, 1.0)]


def test_before_and_after_are_counted_alike() -> None:
    """Two reads a second of 4 registers become one of 8: half the reads, the same registers."""
    plan = planned([Asked(PLC, 0, 4, 1), Asked(PLC, 4, 4, 1)], site_of(watchdog_s=4.5))
    device = plan.devices[0]
    before, after = device.before, device.after
    assert before is not None
    assert (before.polls, after.polls) == (2, 1)
    assert (before.reads_per_s, after.reads_per_s) == (pytest.approx(2, rel=1e-3), 1)
    assert (before.registers_per_s, after.registers_per_s) == (pytest.approx(8, rel=1e-3), 8)
    assert (before.largest_block, after.largest_block) == (4, 8)
    assert before.busy_share == pytest.approx(2 * 0.004, rel=0.01)
    assert after.busy_share == pytest.approx(0.004, rel=0.01)
    assert after.spare_polls == 3


def test_periods_are_stretched_for_whoever_does_not_write() -> None:
    """The PLC writes, so its reads stay; the station's become slower until the busiest second holds."""
    asked = [
        Asked(PLC, 0, 4, 1), Asked(PLC, 40, 1, 1, function=6, from_s=0.2),
        *(Asked(STATION, 16 * n, 16, 1, from_s=0.3 + 0.1 * n) for n in range(3)),
    ]  # fmt: skip
    plan = planned(asked, site_of(max_reads_per_s=4))
    periods = {(master, first): period for master, _, first, _, period in rows(plan)}
    assert periods[PLC, 0] == 1.0
    assert {periods[STATION, first] for first in (0, 16, 32)} != {1.0}
    assert len({periods[STATION, first] for first in (0, 16, 32)}) == 1
    assert plan.devices[0].after.second <= 4
    assert plan.devices[0].after.ten_seconds <= 40
    assert [o.kind for o in plan.obstacles] == ["reads per second"]
    assert "station (192.0.2.20) 1 s →" in plan.obstacles[0].text


def test_by_the_mean_alone_less_is_stretched() -> None:
    """Held against the mean over 10 s only, the periods are shorter, and the busiest second is told as it is."""
    asked = [
        Asked(PLC, 0, 16, 1), Asked(PLC, 40, 1, 1, function=6, from_s=0.2),
        *(Asked(STATION, 16 * n, 16, 1.2, from_s=0.1 * n) for n in range(4)),
    ]  # fmt: skip
    site = site_of(max_reads_per_s=4)
    figures = recorded(asked, site)
    strict, loose = plan_polls(figures, site), plan_polls(figures, site, mean_only=True)
    assert strict.polls[-1].period_ns > loose.polls[-1].period_ns > 1.2 * SECOND
    assert loose.devices[0].after.ten_seconds <= 40
    assert loose.devices[0].after.second > 4 >= strict.devices[0].after.second


def test_a_named_master_keeps_its_periods() -> None:
    """With ``keep``, it is the PLC that gives way."""
    asked = [Asked(PLC, 16 * n, 16, 1, from_s=0.1 * n) for n in range(3)] + [Asked(STATION, 0, 8, 1)]
    site = site_of(max_reads_per_s=4)
    plan = plan_polls(recorded(asked, site), site, keep=["station"])
    assert {p.period_ns for p in plan.polls if p.master == STATION} == {SECOND}
    assert {p.period_ns for p in plan.polls if p.master == PLC} != {SECOND}


def test_more_masters_than_reads_a_second_cannot_be_kept_apart() -> None:
    """Two clocks that are not in step can both read in one second, however seldom: only the mean can be held."""
    asked = [Asked(PLC, 0, 4, 2), Asked(STATION, 0, 4, 2, from_s=0.5)]
    plan = planned(asked, site_of(max_reads_per_s=1.5))
    assert [o.kind for o in plan.obstacles] == ["reads per second"]
    assert "no period keeps the busiest second within it" in plan.obstacles[0].text
    assert plan.devices[0].after.second == 2


def test_a_watchdog_that_the_wishes_do_not_feed_is_told() -> None:
    """Every 5 s is too slow for 3 s; the period that leaves a poll to spare is named."""
    plan = planned([Asked(PLC, 0, 4, 5)], site_of(watchdog_s=3))
    assert [o.kind for o in plan.obstacles] == ["watchdog"]
    assert "comes every 5 s" in plan.obstacles[0].text
    assert "with 1.5 s or less one poll could go missing" in plan.obstacles[0].text


def test_what_reads_and_writes_at_once_stays_as_it_is() -> None:
    """Function 24 has no block: its poll is taken over unchanged, and counts in the rates."""
    plan = planned([Asked(PLC, 0, 4, 1), Asked(PLC, 7, 0, 2, function=24)])
    kept = [p for p in plan.polls if p.fixed]
    assert [(p.function, p.period_ns / SECOND) for p in kept] == [(24, 2.0)]
    assert plan.devices[0].after.reads_per_s == 1.5


def test_nothing_recorded_makes_an_empty_plan() -> None:
    """No cyclic read and no register: no polls, no obstacles, no error."""
    plan = plan_polls(None, Site.empty())
    assert (plan.polls, plan.devices, plan.obstacles, plan.notes) == ([], [], [], [])


def test_the_limit_holds_for_all_units_of_an_endpoint_together() -> None:
    """Three units behind one address, one read a second each: up to 4 reads in a second, at each of them."""
    plan = planned([Asked(PLC, 0, 4, 1, unit=unit, from_s=0.2 * unit) for unit in (1, 2, 3)])
    assert [p.target.unit for p in plan.polls] == [1, 2, 3]
    assert [d.after.second for d in plan.devices] == [4, 4, 4]
    assert len({p.offset_ns for p in plan.polls}) == 3


def test_writes_feed_the_watchdog_where_the_site_file_says_so() -> None:
    """Fed by writes only, the planned reads do not count, and the PLC's cyclic write of 1 s does."""
    asked = [Asked(PLC, 0, 4, 0.5), Asked(PLC, 40, 1, 1, function=6, from_s=0.2)]
    site = site_of(watchdog_s=3.5)
    device = site.devices[0]
    fed = replace(device, limits=replace(device.limits, fed_by=FedBy("write")))
    by_writes = planned(asked, replace(site, devices=(fed,)))
    assert (planned(asked, site).devices[0].after.spare_polls, by_writes.devices[0].after.spare_polls) == (
        5,
        2,
    )
