"""A seed and a number in, what that case does out, and the smallest case found that fails alike."""

from __future__ import annotations

import multiprocessing as mp
import tempfile
from pathlib import Path

from tests.fuzz.bases import frames_of
from tests.fuzz.cases import Case, case_of
from tests.fuzz.checks import DEPTHS, HANG_S, Checker, Reports
from tests.fuzz.runs import LIMIT_BYTES, warm
from tests.fuzz.shrink import Shrinker

_MOST_DETAIL = 4000


def replay(seed: int, number: int, keep: Path | None = None) -> int:
    """Run one case, tell all about it, and make it smaller if it fails; 1 if it does."""
    case = case_of(seed, number)
    print(f"case {case.name}: {', '.join(case.told) or 'not mutated'}")
    print(f"    {_facts(case)}")
    _keep(case, keep, "case")
    with tempfile.TemporaryDirectory() as folder:
        checker = Checker(Path(folder), LIMIT_BYTES)
        warm(checker)
        kind = _kind_apart(checker, case)
        if kind is None:
            print("nothing goes wrong")
            return 0
        smaller = Shrinker(checker, case, kind).shrunk()
    print(f"smallest found: {_facts(smaller)}")
    for data in smaller.files:
        print(f"    {data.hex()}")
    if not smaller.is_site:
        _show_frames(smaller)
    _keep(smaller, keep, "smallest")
    return 1


def _facts(case: Case) -> str:
    how = "" if case.is_site else f", ports {case.ports}, sizes {case.sizes or 'as usual'}, site {case.site}"
    return f"{len(case.files)} file(s) of {', '.join(str(len(data)) for data in case.files)} bytes{how}"


def _kind_apart(checker: Checker, case: Case) -> str | None:
    """The kind of trouble, found in a process of its own, which may crash or hang."""
    ours, theirs = mp.get_context("fork").Pipe(duplex=False)

    def tell() -> None:
        depth, trouble = checker.check(case, Reports.ALL)
        print(f"    reaches: {DEPTHS[depth]}")
        if trouble:
            print(f"{trouble.kind}\n{trouble.detail[:_MOST_DETAIL]}")
        theirs.send(trouble.kind if trouble else None)

    process = mp.get_context("fork").Process(target=tell)
    process.start()
    theirs.close()
    if ours.poll(3 * HANG_S):
        try:
            kind: str | None = ours.recv()
        except EOFError:
            kind = "crash"
    else:
        process.kill()
        kind = "hang"
    process.join()
    if kind in ("crash", "hang"):
        print(f"{kind}: the process ended with {process.exitcode}")
    return kind


def _show_frames(case: Case) -> None:
    for data in case.files:
        try:
            frames = frames_of(data)
        except Exception as error:  # the file may be what is damaged
            print(f"    not read: {error}")
            continue
        for frame in frames:
            print(
                f"    {frame.time_ns} link {frame.link} {len(frame.data)}/{frame.original}: {frame.data.hex()}"
            )


def _keep(case: Case, folder: Path | None, name: str) -> None:
    if folder is None:
        return
    folder.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(case.files):
        (folder / f"{name}-{number}.{'toml' if case.is_site else 'cap'}").write_bytes(data)
