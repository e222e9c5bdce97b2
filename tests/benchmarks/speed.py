"""How fast mbsniff is, beside its goals: a table, from captures that this script makes and deletes.

    python -m tests.benchmarks.speed --folder /var/tmp --size 1GB
    python -m tests.benchmarks.speed slope memory --folder /var/tmp --size 50MB --pairs 3

The goals are meant for ``--size 1GB`` (8 GB of disk and page cache, nothing else running); smaller sizes
give a first impression. Needs a C compiler and the development files of the C capture library.
Exit status: 0 all goals reached, 1 not all, 2 wrong call.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import platform
import shlex
import signal
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.benchmarks import parts
from tests.benchmarks.artefacts import artefacts
from tests.benchmarks.bench import Bench
from tests.benchmarks.figures import Figure, failed, table
from tests.benchmarks.generator import add_shape_options, shape_of
from tests.benchmarks.runs import RunError
from tests.benchmarks.shape import parse_bytes

PARTS: dict[str, Callable[[Bench], list[Figure]]] = {
    "startup": parts.startup,
    "peers": parts.peers,
    "memory": parts.memory,
    "whole": parts.whole,
    "slope": parts.slope,
    "growth": parts.growth,
    "artefacts": artefacts,
}


def parsed(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """The command line's options."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.speed",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "parts", nargs="*", metavar="PART", help=f"{', '.join(PARTS)}; all where none is named"
    )
    parser.add_argument(
        "--folder", type=Path, required=True, help="where the captures go for the time of the run"
    )
    parser.add_argument("--size", type=parse_bytes, default="1GB", help="size of the smaller capture (1GB)")
    parser.add_argument("--pairs", type=int, default=9, help="interleaved runs behind each median (9)")
    parser.add_argument("--cores", type=int, default=1, help="cores that programs may use (1); 0: do not pin")
    parser.add_argument(
        "--program", default=f"{shlex.quote(sys.executable)} -m mbsniff", help="starts mbsniff"
    )
    parser.add_argument("--arguments", default="diagnose {file} --format json", help="what mbsniff is to do")
    parser.add_argument("--limit", type=float, default=600, help="seconds that one run may take (600)")
    parser.add_argument("--table-format", default="simple", help="as tabulate calls them, such as github")
    parser.add_argument("--keep", action="store_true", help="leave the captures")
    add_shape_options(parser)
    options = parser.parse_args(arguments)
    unknown = [part for part in options.parts if part not in PARTS]
    if unknown or options.pairs < 1 or not options.folder.is_dir():
        parser.error(f"no part: {unknown[0]}" if unknown else "--pairs is 1 or more; --folder has to exist")
    return options


def last_cores(count: int) -> list[int]:
    """The last cores that this process may use; none where the system cannot pin."""
    if not count or not hasattr(os, "sched_getaffinity"):
        return []
    return sorted(os.sched_getaffinity(0))[-count:]


def measured(bench: Bench, names: Sequence[str]) -> list[Figure]:
    """The figures of these parts; a part that fails has one line that says why."""
    figures: list[Figure] = []
    for name in names:
        try:
            figures += PARTS[name](bench)
        except (RunError, OSError) as error:
            figures.append(failed(name, error))
            print(f"{name}: {error}", file=sys.stderr)
    return figures


def machine(cores: Sequence[int]) -> str:
    """One line on what the figures were measured with."""
    versions = [f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "numba", "dpkt", "scapy")]
    pinned = f"pinned to {len(cores)} of {os.cpu_count()} cores" if cores else f"{os.cpu_count()} cores"
    return ", ".join([platform.machine(), pinned, f"Python {platform.python_version()}", *versions])


def main() -> int:
    """Measure, print the table, delete the captures."""
    options = parsed()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that what was made is deleted
    cores = last_cores(options.cores)
    with tempfile.TemporaryDirectory(prefix="mbsniff-speed-", dir=options.folder) as folder:
        bench = Bench(
            folder=options.folder if options.keep else Path(folder),
            size_bytes=options.size,
            pairs=options.pairs,
            cores=cores,
            program=shlex.split(options.program),
            arguments=shlex.split(options.arguments),
            shape=shape_of(options),
            keep=options.keep,
            limit_s=options.limit,
        )
        figures = measured(bench, options.parts or list(PARTS))
    print(machine(cores))
    print(table(figures, options.table_format))
    return 1 if any(figure.reached == "no" for figure in figures) else 0


if __name__ == "__main__":
    sys.exit(main())
