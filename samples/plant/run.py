"""One `Scenario` → its recording: starts the hosts, takes away what the plan says, ends all again."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from plant.hosts import PLC, STATION, TERMINAL, ZONES
from plant.network import Network
from plant.peer import READY
from plant.scenarios import Outage, Scenario

ROOT = Path(__file__).resolve().parent.parent  # where `python -m plant.…` finds this package
READY_WITHIN_S = 60.0
ENDS_WITHIN_S = 15.0
LEAD_S = 1.0  # from the last "ready" to the first thing that happens
STEP_S, HELD_UP_S = 0.05, 0.4  # a machine that stands still longer plants what is not in the plan

Process = subprocess.Popen[str]


class HostFailed(RuntimeError):  # noqa: N818 - said as it happened
    """A host's process did not start, or ended with an error."""


@dataclass(frozen=True)
class Event:
    """Something planted: when (s after recording starts), what is said about it, what is done."""

    at_s: float
    text: str
    act: Callable[[], None]


@contextmanager
def process(network: Network, key: str, module: str, *arguments: str) -> Iterator[Process]:
    """Run ``python -m plant.module`` inside a namespace; leaving ends it, stopped or not."""
    words = network.inside(key, [sys.executable, "-m", f"plant.{module}", *arguments])
    pipe = subprocess.PIPE
    # A group of its own: an interrupt at the terminal reaches make.py alone, which then ends the hosts.
    with subprocess.Popen(
        words, cwd=ROOT, stdin=pipe, stdout=pipe, text=True, bufsize=1, process_group=0
    ) as started:
        try:
            yield started
        finally:
            if started.poll() is None:
                started.send_signal(signal.SIGCONT)
                started.kill()


def record(scenario: Scenario, folder: Path, say: Callable[[str], None]) -> Path:
    """Make the recording of ``scenario`` in ``folder``, in real time; give its path."""
    path = folder / scenario.file
    with Network(f"oven-{os.getpid()}") as network, ExitStack() as stack:
        jobs = {
            **{zone.key: (zone.key, "zone", str(n)) for n, zone in enumerate(ZONES, 1)},
            "recorder": ("recorder", "recorder", str(path)),
            "switch": ("switch", "switch"),
            **{master.key: (master.key, master.key) for master in (PLC, STATION, TERMINAL)},
        }
        hosts = {
            name: stack.enter_context(process(network, key, module, scenario.name, *more))
            for name, (key, module, *more) in jobs.items()
        }
        for name, host in hosts.items():
            _await_ready(name, host)
        zero_s = time.monotonic() + LEAD_S + max(0.0, -scenario.masters_from_s)
        for host in hosts.values():
            print(zero_s, file=host.stdin, flush=True)
        for event in sorted(_events(scenario, network, hosts[PLC.key]), key=lambda event: event.at_s):
            _wait_until(zero_s + event.at_s)
            event.act()
            say(f"{event.at_s:6.1f} s  {event.text}")
        _wait_until(zero_s + scenario.span_s)
        for name, host in hosts.items():
            _await_end(name, host, zero_s + scenario.span_s + ENDS_WITHIN_S)
    return path


def _events(scenario: Scenario, network: Network, plc: Process) -> Iterator[Event]:
    if scenario.zone_3_link:
        yield from _pair(
            scenario.zone_3_link,
            ("zone 3: link down", lambda: network.set_link(ZONES[2], "down")),
            ("zone 3: link up", lambda: network.set_link(ZONES[2], "up")),
        )
    if scenario.plc_process:
        yield from _pair(
            scenario.plc_process,
            ("oven PLC: program stopped", lambda: plc.send_signal(signal.SIGSTOP)),
            ("oven PLC: program goes on", lambda: plc.send_signal(signal.SIGCONT)),
        )


def _pair(
    outage: Outage, begin: tuple[str, Callable[[], None]], end: tuple[str, Callable[[], None]]
) -> Iterator[Event]:
    yield Event(outage.at_s, *begin)
    yield Event(outage.at_s + outage.for_s, *end)


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


def _await_ready(name: str, host: Process) -> None:
    assert host.stdout
    heard = select.select([host.stdout], [], [], READY_WITHIN_S)[0]
    if not heard or host.stdout.readline().strip() != READY:
        raise HostFailed(f"{name} did not start")


def _await_end(name: str, host: Process, until_s: float) -> None:
    try:
        code = host.wait(max(0.1, until_s - time.monotonic()))
    except subprocess.TimeoutExpired:
        raise HostFailed(f"{name} did not end") from None
    if code:
        raise HostFailed(f"{name} ended with status {code}")
