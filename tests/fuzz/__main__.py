"""Mutated captures and site files, read compiled and uncompiled side by side; or whatever coverage leads to.

    python -m tests.fuzz --cases 1000000 --jobs 2                  # or --minutes 60
    python -m tests.fuzz --cases 100000 --bounds                   # compiled loops check every index
    python -m tests.fuzz replay 1 4711                             # one case again, and the smallest like it
    python -m tests.fuzz hostile --frames 1000000                  # floods: time and memory a frame
    python -m tests.fuzz guided --minutes 60 --corpus /var/tmp/corpus

A case is made of a seed and a number, so the same ones are run anywhere. Exit status: 0 nothing found, 1 something, 2
wrong call.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path


def parsed(arguments: Sequence[str]) -> argparse.Namespace:
    """The command line's options; without a command they are those of `run`."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(dest="command", required=True)
    run = commands.add_parser("run", help="run many cases (the default)")
    run.add_argument("--cases", type=int, default=10**9, help="how many; without it and --minutes: no end")
    run.add_argument("--minutes", type=float, help="how long at most")
    run.add_argument("--seed", type=int, default=1, help="which cases (1)")
    run.add_argument("--first", type=int, default=0, help="number of the first one (0)")
    run.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="worker processes (one a core)")
    run.add_argument("--bounds", action="store_true", help="have compiled loops check every index")
    run.add_argument(
        "--limit", type=int, default=64, metavar="MB", help="how far a worker's peak may rise (64)"
    )
    run.add_argument("--each", action="store_true", help="tell about each mutation, not only each layer")
    replay = commands.add_parser(
        "replay", help="run one case again, and look for a smaller one that fails alike"
    )
    replay.add_argument("seed", type=int)
    replay.add_argument("number", type=int)
    replay.add_argument("--bounds", action="store_true", help="have compiled loops check every index")
    replay.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="write the case's files, and the smaller one's"
    )
    hostile = commands.add_parser("hostile", help="what attacks cost, a frame, beside harmless traffic")
    hostile.add_argument("--frames", type=int, default=1_000_000)
    guided = commands.add_parser(
        "guided", help="mutate by coverage of the uncompiled readers (needs atheris)"
    )
    guided.add_argument("--minutes", type=float, default=60)
    guided.add_argument(
        "--corpus", type=Path, required=True, help="folder of inputs to begin with, and to add to"
    )
    named = arguments and (arguments[0] in commands.choices or arguments[0] in ("-h", "--help"))
    return parser.parse_args(arguments if named else ["run", *arguments])


def main(arguments: Sequence[str]) -> int:
    """Do what the command line says; the exit status."""
    options = parsed(arguments)
    if getattr(options, "bounds", False):
        os.environ["MBSNIFF_BOUNDS"] = "1"  # before anything compiles
    if options.command == "guided":
        from tests.fuzz.guided import guided

        return guided(options.corpus, options.minutes)
    if options.command == "hostile":
        from tests.fuzz.hostile import hostile

        return hostile(options.frames)
    if options.command == "replay":
        from tests.fuzz.replay import replay

        return replay(options.seed, options.number, options.keep)
    return _run(options)


def _run(options: argparse.Namespace) -> int:
    from tests.fuzz.runs import Plan, Tally, run
    from tests.fuzz.summary import failures, figures, line, summary

    began = time.monotonic()
    until = None if options.minutes is None else began + 60 * options.minutes
    plan = Plan(options.seed, options.cases, options.jobs, options.limit << 20, until, options.first)

    def progress(tally: Tally) -> None:
        print(f"\r{line(tally, time.monotonic() - began)}", end="", file=sys.stderr, flush=True)

    tally = run(plan, progress)
    progress(tally)
    print(file=sys.stderr)
    print(summary(tally, options.each))
    print(figures(tally, time.monotonic() - began, plan.jobs))
    print(failures(tally, options.seed, options.bounds))
    return 1 if tally.failures else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
