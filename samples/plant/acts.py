"""Acts of a plan → what is done to the network and to the hosts' processes, by one table."""

from __future__ import annotations

import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from plant.hosts import ALL, PLC
from plant.network import Network
from plant.peer import READY
from plant.plan import Act, Scenario

ROOT = Path(__file__).resolve().parent.parent  # where `python -m plant.…` finds this package
READY_WITHIN_S = 60.0

Process = subprocess.Popen[str]
Job = tuple[str, str, tuple[str, ...]]  # namespace's key, module of `plant`, arguments after the scenario


class HostFailed(RuntimeError):  # noqa: N818 - said as it happened
    """A host's process did not start, or ended with an error."""


class Stage:
    """The network and the processes of one recording while it is made; leaving ``stack`` ends them all.

    A process says that it is ready, then waits for the time at which recording starts. ``spares`` wait for
    the act that starts them.
    """

    def __init__(self, scenario: Scenario, network: Network, jobs: dict[str, Job], stack: ExitStack) -> None:
        self.scenario, self.network, self.jobs, self.stack = scenario, network, jobs, stack
        self.hosts: dict[str, Process] = {}
        self.spares: dict[str, Process] = {}
        self.zero_s = 0.0

    def set_up(self) -> None:
        """Launch every process, and a spare for each that an act starts again; wait until all are ready."""
        again = {act.target for act in self.scenario.acts if act.what == "start"}
        self.hosts = {
            name: self._launch(name) for name, (key, _, _) in self.jobs.items() if self._is_there(key)
        }
        self.spares = {name: self._launch(name) for name in sorted(again)}
        for kept in (self.hosts, self.spares):
            for name, host in kept.items():
                await_ready(name, host)

    def begin(self, zero_s: float) -> None:
        """Tell every process but the spares when recording starts (CLOCK_MONOTONIC)."""
        self.zero_s = zero_s
        for host in self.hosts.values():
            self._start(host)

    def do(self, act: Act) -> None:
        """Do what the plan says."""
        ACTS[act.what](self, act.target)

    def kill(self, name: str) -> None:
        """End a process at once, as a power supply would."""
        host = self.hosts.pop(name)
        host.kill()
        host.wait()

    def start(self, name: str) -> None:
        """Start the spare of a process in its place."""
        self.hosts[name] = self.spares.pop(name)
        self._start(self.hosts[name])

    def unplug(self, key: str) -> None:
        """Switch a host off: nothing of it is heard any more, not even the end of its connections."""
        self.network.unplug(ALL[key])
        for name in self._names_at(key):
            self.kill(name)
        self.network.forget(ALL[key])

    def plug_in(self, key: str) -> None:
        """Switch a host on that was off: it knows nothing of earlier connections."""
        self.network.plug_in(ALL[key])
        for name in [name for name, job in self.jobs.items() if job[0] == key]:
            self.hosts[name] = self._launch(name)
            await_ready(name, self.hosts[name])
            self._start(self.hosts[name])

    def _names_at(self, key: str) -> list[str]:
        return [name for name in self.hosts if self.jobs[name][0] == key]

    def _is_there(self, key: str) -> bool:
        return key not in ALL or ALL[key] in self.network.hosts

    def _start(self, host: Process) -> None:
        print(self.zero_s, file=host.stdin, flush=True)

    def _launch(self, name: str) -> Process:
        key, module, more = self.jobs[name]
        words = [sys.executable, "-m", f"plant.{module}", self.scenario.name, *more]
        pipe = subprocess.PIPE
        # A group of its own: an interrupt at the terminal reaches make.py alone, which then ends the hosts.
        started = subprocess.Popen(
            self.network.inside(key, words),
            cwd=ROOT, stdin=pipe, stdout=pipe, text=True, bufsize=1, process_group=0,
        )  # fmt: skip
        self.stack.enter_context(started)
        self.stack.callback(_end, started)
        return started


def _end(started: Process) -> None:
    if started.poll() is None:
        started.send_signal(signal.SIGCONT)
        started.kill()


def await_ready(name: str, host: Process) -> None:
    """Wait for a process to say that it is ready; HostFailed where it does not."""
    assert host.stdout
    heard = select.select([host.stdout], [], [], READY_WITHIN_S)[0]
    if not heard or host.stdout.readline().strip() != READY:
        raise HostFailed(f"{name} did not start")


def await_end(name: str, host: Process, until_s: float) -> None:
    """Wait for a process to end by itself; HostFailed where it does not, or with an error."""
    try:
        code = host.wait(max(0.1, until_s - time.monotonic()))
    except subprocess.TimeoutExpired:
        raise HostFailed(f"{name} did not end") from None
    if code:
        raise HostFailed(f"{name} ended with status {code}")


ACTS: dict[str, Callable[[Stage, str], None]] = {
    "port down": lambda stage, key: stage.network.set_port(ALL[key], "down"),
    "port up": lambda stage, key: stage.network.set_port(ALL[key], "up"),
    "link down": lambda stage, key: stage.network.set_link(ALL[key], "down"),
    "link up": lambda stage, key: stage.network.set_link(ALL[key], "up"),
    "trunk down": lambda stage, name: stage.network.set_trunk(name, "down"),
    "trunk up": lambda stage, name: stage.network.set_trunk(name, "up"),
    "stop": lambda stage, name: stage.hosts[name].send_signal(signal.SIGSTOP),
    "continue": lambda stage, name: stage.hosts[name].send_signal(signal.SIGCONT),
    "kill": Stage.kill,
    "start": Stage.start,
    "unplug": Stage.unplug,
    "plug in": Stage.plug_in,
    "lose replies": lambda stage, key: stage.network.lose_replies(PLC, ALL[key]),
    "find replies": lambda stage, _: stage.network.find_replies(PLC),
    "forget flow": lambda stage, key: stage.network.forget_flow(PLC, ALL[key]),
}
