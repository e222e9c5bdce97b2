"""The samples and their site file in, exactly what was planted in each not met."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from mbsniff.site import load_site
from tests.audit.made import audit_of
from tests.writes.made import survey_of

SAMPLES = Path(__file__).parents[2] / "samples"
ZONES = {f"zone {n}" for n in range(1, 7)}
PLANTED = {
    "healthy-shift.pcap": {},
    "recipe-terminal.pcapng.gz": {"reads-per-second": ZONES, "masters": ZONES},
    "link-down.pcap": {code: {"zone 3"} for code in ("watchdog-kept", "never-tripped", "replies-in-time")},
    "plc-silent.pcapng": {"control-kept": ZONES},
    "block-edge.pcap": {
        "block-size": {"zone 6"},
        "masters": {"zone 2", "zone 5", "zone 6"},
        "reads-declared": {"zone 2", "zone 5"},
        "no-exceptions": {"zone 2", "zone 5"},
    },
}


@pytest.mark.parametrize("name", PLANTED)
def test_what_was_planted_is_not_met_and_nothing_else(name: str) -> None:
    """Each requirement that a sample breaks is not met at the right zones; all others are met there."""
    made = audit_of([SAMPLES / name], load_site(str(SAMPLES / "oven.toml")))
    found: dict[str, set[str | None]] = {}
    for result in made.results:
        if result.verdict == "not met":
            found.setdefault(result.code, set()).add(result.name)
            assert result.outcome.evidence, result
    assert found == PLANTED[name]
    assert made.is_met == (not PLANTED[name])
    open_ = {(r.code, r.name) for r in made.results if r.verdict == "cannot be told"}
    assert open_ <= {("hardware-address", "recipe terminal")}


def test_another_hardware_address_is_not_met() -> None:
    """A zone and a master behind other hardware addresses than the declared ones are told."""
    site = load_site(str(SAMPLES / "oven.toml"))
    zones = (replace(site.devices[0], hardware_address="00-00-5E-00-53-99"), *site.devices[1:])
    plc = replace(site.masters[0], hardware_addresses=("00-00-5E-00-53-98",))
    made = audit_of(
        [SAMPLES / "healthy-shift.pcap"], replace(site, devices=zones, masters=(plc, *site.masters[1:]))
    )
    found = {r.name: r.outcome.measured for r in made.results if r.verdict == "not met"}
    assert found == {"zone 1": "00-00-5E-00-53-51", "oven PLC": "00-00-5E-00-53-10"}
    frames = next(r.outcome.evidence for r in made.results if r.name == "zone 1" and r.verdict == "not met")
    assert len(frames) == 8  # the first replies that the other hardware address sent


def test_setpoints_are_told_in_degrees_and_followed() -> None:
    """samples/README.md: recipes change while recording; "setpoint in force" follows what is written."""
    made = survey_of([SAMPLES / "recipe-terminal.pcapng.gz"], load_site(str(SAMPLES / "oven.toml")))
    first = made.registers[0].written
    assert first.label == "setpoint (holding 40 (no. 41))"
    assert first.masters == {"192.0.2.10": 110}
    assert (first.lowest, first.highest) == (210.0, 230.0)
    assert first.follows is not None and first.follows.changes == first.follows.followed == 1
    assert first.period is not None and abs(first.period.median - 10**9) < 10**8
