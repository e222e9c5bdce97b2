"""Names of recordings (none: all) → the recordings beside this file, made anew in real time.

Real Modbus TCP clients and servers talk over network namespaces made for them; nothing reaches any other
network. Needs root on Linux with bridge, veth and traffic control (`ip`, `ss`, `tc`, `ethtool`, `sysctl`), scapy
and pymodbus.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sys
from importlib.util import find_spec
from pathlib import Path
from types import FrameType

from plant.acts import HostFailed
from plant.network import CommandFailed
from plant.plan import Scenario
from plant.run import record
from plant.scenarios import SCENARIOS, find

PROGRAMS = ("ip", "ss", "tc", "ethtool", "sysctl")
LIBRARIES = ("pymodbus", "scapy")
FOLDER = Path(__file__).resolve().parent


def lacking() -> str | None:
    """Say in one line what keeps this machine from recording; None where nothing does."""
    if not sys.platform.startswith("linux") or os.geteuid() != 0:
        return "make.py makes network namespaces: run it as root on Linux"
    missing = [name for name in PROGRAMS if shutil.which(name) is None]
    missing += [name for name in LIBRARIES if find_spec(name) is None]
    return f"make.py needs what is not installed here: {', '.join(missing)}" if missing else None


def parse(words: list[str]) -> tuple[list[Scenario], Path]:
    """Read the command line: the scenarios asked for and the folder to write to."""
    names = [scenario.name for scenario in SCENARIOS]
    parser = argparse.ArgumentParser(description="Make the sample recordings anew, in real time, as root.")
    parser.add_argument("name", nargs="*", help=f"recordings to make (all): {', '.join(names)}")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where to write them (beside make.py)")
    options = parser.parse_args(words)
    unknown = [name for name in options.name if name not in names]
    if unknown:
        parser.error(f"no recording is called {', '.join(unknown)}; there are {', '.join(names)}")
    return [find(name) for name in options.name or names], options.folder.resolve()


def interrupt(number: int, frame: FrameType | None) -> None:
    """Let a request to terminate leave by the same way as an interrupt, so that all is cleaned up."""
    raise KeyboardInterrupt


def main() -> int:
    """Make the recordings; 0: all made, 1: one failed, 2: machine or call wrong, 3: interrupted."""
    scenarios, folder = parse(sys.argv[1:])
    if problem := lacking():
        print(problem, file=sys.stderr)
        return 2
    signal.signal(signal.SIGTERM, interrupt)
    folder.mkdir(parents=True, exist_ok=True)
    for scenario in scenarios:
        print(f"{scenario.name}: {scenario.span_s:g} s", flush=True)
        try:
            path = record(scenario, folder, lambda line: print(line, flush=True))
        except (CommandFailed, HostFailed) as error:
            print(f"{scenario.name}: {error}", file=sys.stderr)
            return 1
        except KeyboardInterrupt:
            print(f"{scenario.name}: interrupted, nothing written", file=sys.stderr)
            return 3
        print(f"  {path.name}: {path.stat().st_size:,} bytes", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
