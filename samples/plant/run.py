"""One `Scenario` → its recording: starts the hosts, does what the plan says, ends all again."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from plant.acts import HostFailed, Job, Stage, await_end
from plant.hosts import FANS, GATEWAY, HOSTS, PLC, STATION, TERMINAL, ZONES
from plant.network import Network
from plant.plan import Scenario

ENDS_WITHIN_S = 15.0
LEAD_S = 1.0  # from the last "ready" to the first thing that happens
STEP_S, HELD_UP_S = 0.05, 0.4  # a machine that stands still longer plants what is not in the plan


def record(
    scenario: Scenario, folder: Path, say: Callable[[str], None], poll_list: Path | None = None
) -> Path:
    """Make the recording of ``scenario`` in ``folder``, in real time; give its path.

    With ``poll_list`` (TOML, by `mbsniff plan`) PLC and station ask what it says instead of their own polls.
    """
    path = folder / scenario.file
    path.parent.mkdir(parents=True, exist_ok=True)
    hosts = (*HOSTS, GATEWAY) if scenario.gateway else HOSTS
    with Network(f"oven-{os.getpid()}", hosts, scenario.cabling) as network, ExitStack() as stack:
        stage = Stage(scenario, network, jobs_of(scenario, path, poll_list), stack)
        stage.set_up()
        zero_s = time.monotonic() + LEAD_S + max(0.0, -scenario.masters_from_s)
        stage.begin(zero_s)
        for act in scenario.acts:
            _wait_until(zero_s + act.at_s)
            say(f"{act.at_s:6.1f} s  {act.target}: {act.what}")
            stage.do(act)
        _wait_until(zero_s + scenario.span_s)
        for name, host in stage.hosts.items():
            await_end(name, host, zero_s + scenario.span_s + ENDS_WITHIN_S)
    return path


def jobs_of(scenario: Scenario, path: Path, poll_list: Path | None = None) -> dict[str, Job]:
    """Give the processes of a recording by name: where each runs, and what."""
    masters = (PLC, STATION, TERMINAL) if scenario.terminal else (PLC, STATION)
    jobs: dict[str, Job] = {zone.key: (zone.key, "zone", (str(n),)) for n, zone in enumerate(ZONES, 1)}
    if scenario.gateway:
        jobs |= {f"fan{n}": (GATEWAY.key, "fan", (str(unit),)) for n, unit in enumerate(FANS, 1)}
        jobs[GATEWAY.key] = (GATEWAY.key, "gateway", ())
    jobs |= {"recorder": ("recorder", "recorder", (str(path),)), "switch": ("switch", "switch", ())}
    if poll_list is None:
        jobs |= {master.key: (master.key, master.key, ()) for master in masters}
    else:
        jobs |= {m.key: (m.key, "planned", (m.key, str(poll_list))) for m in (PLC, STATION)}
    jobs |= {f"{key} announcing": (key, "announcer", (key,)) for key in scenario.announces}
    if scenario.storm:
        jobs["storm"] = (TERMINAL.key, "storm", ())
    if scenario.leases:
        jobs |= {
            role: (host.key, "lease", (role,)) for role, host in (("server", STATION), ("client", ZONES[2]))
        }
    return jobs


def _wait_until(until_s: float) -> None:
    before_s = time.monotonic()
    while before_s < until_s:
        time.sleep(min(STEP_S, until_s - before_s))
        now_s = time.monotonic()
        if now_s - before_s > HELD_UP_S:
            raise HostFailed(
                f"this machine stood still for {now_s - before_s:.1f} s: make the recording again"
            )
        before_s = now_s
