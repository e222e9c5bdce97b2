"""The site files that users are shown."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from mbsniff.site import Register, load_site, one_off

PROJECT = Path(__file__).parents[2]
SAMPLES = PROJECT / "samples"


def test_the_readmes_example_loads(tmp_path: Path) -> None:
    """The site file in README.md is right as it stands, beside the sample's register list."""
    shown = re.search(r"```toml\n(.*?)```", (PROJECT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert shown
    (tmp_path / "site.toml").write_text(shown[1], encoding="utf-8")
    shutil.copy(SAMPLES / "zone.csv", tmp_path)
    zone = load_site(str(tmp_path / "site.toml")).devices[0]
    assert (zone.limits.watchdog_ns, zone.limits.max_block, len(zone.registers)) == (3 * 10**9, 16, 12)


def test_the_oven() -> None:
    """Six zones of one family: 100 registers, a setpoint that the PLC alone writes, a status that tells a trip."""
    site = load_site(str(SAMPLES / "oven.toml"))
    assert [device.name for device in site.devices] == [f"zone {n}" for n in range(1, 7)]
    zone = site.devices[2]
    assert sum(register.count for register in zone.registers) == zone.registers[-1].last + 1 == 100
    setpoint = zone.register_at("holding", 40)
    assert setpoint and (setpoint.name, setpoint.feedback) == ("setpoint", "setpoint in force")
    assert setpoint.label(zone.limits.numbering) == "setpoint (holding 40 (no. 41))"
    plc, station, terminal = (master.addresses[0] for master in site.masters)
    assert [site.may_write(m, zone, setpoint) for m in (plc, station, terminal)] == [True, False, False]
    assert [site.may_read(m, zone) for m in (plc, station, terminal)] == [True, True, False]
    assert zone.status_register == Register("status", first=3, access="ro", period_ns=10**9)
    assert zone.limits.status_tripped and zone.limits.status_tripped.by(2)
    assert one_off(zone.registers, "holding", 96, 5) == 1  # block-edge
