"""The benchmark's own arithmetic and instruments, on small captures and programs that stand in."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pytest

from tests.benchmarks import parts, peers
from tests.benchmarks.artefacts import artefacts
from tests.benchmarks.bench import Bench
from tests.benchmarks.disturb import Disturbance
from tests.benchmarks.figures import Figure, failed, table
from tests.benchmarks.generator import Generated, generate
from tests.benchmarks.memory import can_measure
from tests.benchmarks.runs import Run, RunError, compile_stepping, interleaved, run
from tests.benchmarks.shape import Shape
from tests.benchmarks.speed import last_cores, measured

MB = 1_000_000


def can_step() -> bool:
    """Whether there are a C compiler and the development files of the C capture library."""
    try:
        with tempfile.TemporaryDirectory() as folder:
            compile_stepping(Path(folder))
    except RunError:
        return False
    return True


needs_stepping = pytest.mark.skipif(not can_step(), reason="the C capture library cannot be compiled against")


class Known(Bench):
    """A bench whose programs take known times: 1 s and 150 ns a frame, against 0.1 s and 50 ns."""

    def capture(self, size_bytes: int, shape: Shape | None = None) -> Generated:
        shape = shape or self.shape
        slower = {40: 1, 5_000: 2, 50_000: 10}[shape.connections]
        return Generated(Path(str(slower)), size_bytes, size_bytes // 100, size_bytes // 300)

    def disturbed(self, made: Generated, disturbance: Disturbance) -> Generated:
        slower = 1 + disturbance.double + (disturbance.late > 0) / 2
        return Generated(Path(str(slower)), made.size_bytes, made.frames, made.transactions)

    def forget(self, made: Generated) -> None:
        pass

    def mbsniff(self, made: Generated, *_: object, watch_memory: bool = False) -> Run:
        wall_s = 1 + 150e-9 * made.frames * float(str(made.path))
        return Run(wall_s, wall_s, 350 * MB * watch_memory, 0, b"{}", "")

    def stepping(self, made: Generated) -> Run:
        wall_s = 0.1 + 50e-9 * made.frames
        return Run(wall_s, wall_s, 0, 0, b"", "")


@pytest.fixture
def known(tmp_path: Path) -> Known:
    return Known(tmp_path, 1000 * MB, 3, (), (), (), Shape())


def by_name(figures: list[Figure]) -> dict[str, tuple[float, str]]:
    """Measured value and verdict of each figure."""
    return {f.what: (round(f.measured or -1, 6), f.reached) for f in figures}


def test_slope_leaves_out_the_start(known: Known) -> None:
    """The slope is the cost of one more frame, whatever starting costs: here 150 ns against 50 ns."""
    figures = by_name(parts.slope(known))
    assert figures["one more frame, mbsniff"] == (150, "")
    assert figures["one more frame, C capture library"] == (50, "")
    assert figures["one more frame, ratio"] == (3, "no")


def test_whole_process_includes_the_start(known: Known) -> None:
    """At 20 million frames: 1 + 3 s against 0.1 + 1 s."""
    assert by_name(parts.whole(known))["whole process, ratio"] == (round(4 / 1.1, 6), "no")


def test_growth_is_the_ratio_of_costs_beyond_a_small_run(known: Known) -> None:
    """What a 10 MB capture takes (start and 0.015 s here) is subtracted before costs are compared."""
    figures = by_name(parts.growth(known))
    plain, many = 1.5 - 0.015, 15 - 0.015
    assert figures["5,000 connections, ratio"] == (round((3 - 0.015) / plain, 6), "no")
    assert figures["50,000 connections, ratio"] == (round(many / plain, 6), "no")


def test_artefacts_are_held_against_the_clean_capture(known: Known) -> None:
    """Costs beyond a small clean capture's run: disturbed frames cost twice, 1.5 times and 2.5 times as much here."""
    figures = by_name(artefacts(known))
    small, clean = 0.015, 1.5
    for name, slower, reached in (
        ("every frame doubled", 2, ""),
        ("5 % of the segments late", 1.5, ""),
        ("doubled and 5 % late", 2.5, "no"),
    ):
        ratio = round((clean * slower - small) / (clean - small), 6)
        assert figures[f"{name}, ratio"] == (ratio, reached)
        assert figures[f"{name}, ratio of processor time"] == (ratio, "")


def test_memory_goal_is_the_larger_allowance(known: Known) -> None:
    """300 MB and the larger of 15 % of 2 GB and 45 bytes for each of 6.7 million transactions."""
    if not can_measure():
        pytest.skip("no proportional set size here")
    peak = parts.memory(known)[0]
    assert (peak.measured, peak.goal, peak.reached) == (350, 600, "yes")


def test_table_and_verdicts() -> None:
    """Goals are upper or lower bounds; a part that failed counts as not reached and says why."""
    figures = [
        Figure("a", 1.5, "s", 1.5),
        Figure("b", 99.9, "times", 100, at_least=True),
        Figure("c", 3, "ns"),
        failed("d", "no compiler"),
    ]
    assert [f.reached for f in figures] == ["yes", "no", "", "no"]
    lines = table(figures).splitlines()
    assert lines[0].split() == ["figure", "measured", "goal", "reached", "note"]
    assert "99.9 times" in lines[3] and "≥ 100 times" in lines[3] and "no compiler" in lines[5]


def test_interleaved_rounds_turn_round() -> None:
    """Every other round runs the programs in reverse, so that neither always comes first."""
    order: list[int] = []

    def program(number: int) -> Run:
        order.append(number)
        return Run(number, 0, 0, 0, b"", "")

    runs = interleaved(3, lambda: program(1), lambda: program(2))
    assert order == [1, 2, 2, 1, 1, 2]
    assert [[r.wall_s for r in each] for each in runs] == [[1, 1, 1], [2, 2, 2]]


def test_run_measures_time_and_cores() -> None:
    """A run tells its wall time, and its process keeps to the cores it was given."""
    code = "import os, time; time.sleep(0.2); print(len(getattr(os, 'sched_getaffinity', lambda _: [0])(0)))"
    result = run([sys.executable, "-c", code], last_cores(1))
    assert result.output.strip() == b"1"
    assert 0.2 <= result.wall_s < 10 and 0 < result.processor_s < result.wall_s + 1


@pytest.mark.skipif(not can_measure(), reason="no proportional set size here")
def test_memory_is_that_of_the_whole_tree() -> None:
    """Two processes of 60 MB each peak together at 120 MB at least."""
    hold = "import sys, time, subprocess; b = bytearray(b'x') * 60_000_000; time.sleep(0.3)"
    parent = f"{hold}; subprocess.run([sys.executable, '-c', {hold!r}])"
    result = run([sys.executable, "-c", parent], watch_memory=True)
    assert 120 * MB < result.pss_bytes < 250 * MB
    assert 60 * MB < result.resident_bytes < 120 * MB


def test_programs_that_fail_are_told() -> None:
    """A program that is not there, takes too long, or ends with an error is told, with its last words."""
    with pytest.raises(RunError, match="exit status 3: so it ends"):
        run([sys.executable, "-c", "import sys; print('so it ends', file=sys.stderr); sys.exit(3)"])
    with pytest.raises(RunError, match="not done after"):
        run([sys.executable, "-c", "import time; time.sleep(20)"], limit_s=0.2)
    with pytest.raises(RunError, match="No such file"):
        run(["/nonexistent/program"])


@needs_stepping
def test_stepping_counts_every_frame(tmp_path: Path) -> None:
    """The C capture library finds as many frames as the generator wrote, and as many bytes."""
    made = generate(tmp_path / "a.pcap", 100_000, Shape(devices=2, template_frames=500))
    frames, frame_bytes = run([str(compile_stepping(tmp_path)), str(made.path)]).output.split()
    assert (int(frames), int(frame_bytes)) == (made.frames, made.size_bytes - 24 - 16 * made.frames)


# Stands in for mbsniff: counts a pcap file's frames, and as requests those with 12 bytes or more to port 502.
COUNTER = """
import dpkt, json, sys
datagrams = [dpkt.ethernet.Ethernet(data).data for _, data in dpkt.pcap.Reader(open(sys.argv[1], "rb"))]
requests = sum(d.data.dport == 502 and len(d.data.data) >= 12 for d in datagrams) + int(sys.argv[2])
print(json.dumps({"recording": {"frames": len(datagrams)}, "devices": [{"requests": requests}]}))
"""


def counting(folder: Path, error: int) -> Bench:
    """A bench with a program that miscounts requests by so many."""
    shape = Shape(devices=2, template_frames=500)
    arguments = ["-c", COUNTER, "{file}", str(error)]
    return Bench(folder, 50_000, 1, (), [sys.executable], arguments, shape)


@needs_stepping
def test_only_right_counts_have_figures(tmp_path: Path) -> None:
    """A program is timed where it counts what was generated; where not, the table says so."""
    assert [f.reached for f in measured(counting(tmp_path, 0), ["whole"])] == ["", "", "no", ""]
    (refusal,) = measured(counting(tmp_path, 1), ["whole"])
    assert refusal.measured is None and "with" in refusal.note and "instead of" in refusal.note


@needs_stepping
def test_captures_are_kept_apart(tmp_path: Path) -> None:
    """One capture is made once for all parts, and a forgotten one leaves the others as they are."""
    bench = counting(tmp_path, 0)
    first, second, third = (bench.capture(size) for size in (5_000, 10_000, 15_000))
    assert bench.capture(10_000) is second
    bench.forget(first)
    bench.capture(20_000)
    assert not first.path.exists()
    assert [c.path.stat().st_size for c in (second, third)] == [second.size_bytes, third.size_bytes]


@pytest.mark.parametrize("library", ["dpkt", "scapy"])
def test_peers_decode_the_first_frames(tmp_path: Path, library: str) -> None:
    """Both Python libraries read as many frames as asked for, or as there are."""
    made = generate(tmp_path / "a.pcap", 20_000, Shape(devices=2, template_frames=500))
    decode = peers.LIBRARIES[library]
    assert [decode(made.path, 50), decode(made.path, 10_000)] == [50, made.frames]
