"""Recordings of two recorders: brought to one clock by packets that both saw, each packet counted once."""

from __future__ import annotations

import lzma
import random
from base64 import b85decode
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mbsniff.capture import Clock, open_recording
from mbsniff.errors import CaptureError
from tests.builders.adus import adu
from tests.builders.packets import Link
from tests.builders.plant import BEGINS_NS, MASTER, Plant
from tests.builders.recorder import Record, pcap, recorded
from tests.capture.craft import Frame, read

READ, DATA = bytes.fromhex("0300000001"), bytes.fromhex("03020007")
SECOND = 10**9
TAGGED = Link(tags=(0x8100,))


def polling(seconds: int, *, device: str = "192.0.2.50", first: int = 1000) -> Plant:
    """A read every 100 ms on one connection that was there before."""
    plant = Plant()
    connection = plant.connection(device=(device, 502), first=(first, first + 4000))
    for number in range(seconds * 10):
        connection.ask(adu(number, 1, READ), wait=0.09)
        connection.answer(adu(number, 1, DATA), wait=0.01)
    return plant


def seen(plant: Plant, off_ns: int = 0, *, away_ns: int = 0, link: Link = TAGGED) -> list[Record]:
    """What a recorder notes whose clock is off; requests reach it later and replies earlier by the way to it."""
    drawn = random.Random(off_ns)
    taken = []
    for (time_ns, data, size), sighting in zip(recorded(plant.wire, link), plant.wire, strict=True):
        is_request = sighting.packet[22:24] == b"\x01\xf6"
        way_ns = (away_ns if is_request else -away_ns) + (drawn.randrange(-9000, 9000) if away_ns else 0)
        taken.append((time_ns + off_ns + way_ns, data, size))
    return sorted(taken, key=lambda record: record[0])


def recordings(folder: Path, **records: Sequence[Record]) -> list[Path]:
    """A file for each recorder, by name."""
    paths = [folder / f"{name}.pcap" for name in records]
    for path, own in zip(paths, records.values(), strict=True):
        path.write_bytes(pcap(own))
    return paths


def taken(paths: Sequence[Path], **options: Any) -> tuple[list[Frame], list[Clock], int]:
    """Frames, what is known of the clocks, and frames dropped."""
    reading = read(paths, **options)
    with open_recording([str(path) for path in paths], **options) as recording:
        for _ in recording.batches(compiled=False):
            pass
        return reading.frames, recording.clocks, recording.second_sightings


@pytest.mark.parametrize("off_s", [-7200, -1.5, -0.004, 0, 0.02, 3.2, 86_400 * 365 * 10])
def test_two_recorders(tmp_path: Path, off_s: float) -> None:
    """Whatever the clocks differ by: what both saw counts once, at the first recorder's times."""
    plant = polling(30)
    off_ns = round(off_s * SECOND)
    here, there = seen(plant), seen(plant, off_ns, away_ns=200_000)[150:]
    frames, clocks, dropped = taken(recordings(tmp_path, plc=here, device=there))
    assert [(f.time_ns, f.data) for f in frames] == [(time_ns, data) for time_ns, data, _ in here]
    assert dropped == len(there)
    (clock,) = clocks
    assert clock.files == [str(tmp_path / "device.pcap")]
    assert (clock.basis, clock.matches, clock.agreeing) == ("frames", len(there), len(there))
    assert abs(clock.shift_ns + off_ns) < 10_000
    assert 380_000 < clock.spread_ns < 420_000


def test_each_recorder_lost_some(tmp_path: Path) -> None:
    """What one of the two lost comes from the other, in its place; times differ by the way at most."""
    plant = polling(30)
    drawn = random.Random(1)
    here = [record for record in seen(plant) if drawn.random() < 0.9]
    there = [record for record in seen(plant, 5 * SECOND, away_ns=100_000) if drawn.random() < 0.9]
    frames, _, _ = taken(recordings(tmp_path, plc=here, device=there))
    either = {data for _, data, _ in here} | {data for _, data, _ in there}
    assert [f.data for f in frames] == [data for _, data, _ in seen(plant) if data in either]
    times = {data: time_ns for time_ns, data, _ in seen(plant)}
    assert all(abs(f.time_ns - times[f.data]) < 150_000 for f in frames)


def test_rotated_sets_of_two_recorders(tmp_path: Path) -> None:
    """Two folders of files that follow one another: one shift for each recorder."""
    plant = polling(60)
    here, there = seen(plant), seen(plant, -20 * SECOND)[37:]
    for name, records in (("plc", here), ("device", there)):
        (tmp_path / name).mkdir()
        for number, at in enumerate(range(0, len(records), 130)):
            recordings(tmp_path / name, **{f"part{number}": records[at : at + 130]})
    frames, (clock,), dropped = taken([tmp_path / "plc", tmp_path / "device"])
    assert [(f.time_ns, f.data) for f in frames] == [(time_ns, data) for time_ns, data, _ in here]
    assert (clock.shift_ns, len(clock.files), dropped) == (20 * SECOND, 9, len(there))


def test_a_chain_of_recorders(tmp_path: Path) -> None:
    """A third recorder that only the second has packets in common with is aligned through it."""
    near, far = polling(20), polling(20, device="192.0.2.51", first=77_000)
    both = sorted([*seen(near, 4 * SECOND), *seen(far, 4 * SECOND)], key=lambda record: record[0])
    paths = recordings(tmp_path, first=seen(near), second=both, third=seen(far, 9 * SECOND))
    frames, clocks, dropped = taken(paths)
    assert {Path(c.files[0]).stem: c.shift_ns for c in clocks} == {
        "second": -4 * SECOND,
        "third": -9 * SECOND,
    }
    assert dropped == len(both)
    assert len(frames) == len(both)


def test_stated_offset(tmp_path: Path) -> None:
    """A stated shift holds, also for all files of a folder; what the packets say beyond it is told."""
    plant = polling(10)
    paths = recordings(tmp_path, plc=seen(plant), device=seen(plant, -2 * SECOND))
    _, (clock,), dropped = taken(paths, shifts_ns={str(paths[1]): 2 * SECOND})
    assert (clock.basis, clock.shift_ns, clock.still_off_ns, dropped) == ("stated", 2 * SECOND, 0, 200)
    _, (clock,), dropped = taken(paths, shifts_ns={str(paths[1]): round(1.9 * SECOND)})
    assert (clock.shift_ns, clock.still_off_ns, dropped) == (round(1.9 * SECOND), SECOND // 10, 200)
    frames, clocks, _ = taken([paths[1]], shifts_ns={str(paths[1]): SECOND})
    assert frames[0].time_ns == BEGINS_NS + round(0.09 * SECOND) - SECOND
    assert [c.shift_ns for c in clocks] == [SECOND]
    with pytest.raises(CaptureError) as caught:
        open_recording([str(paths[0])], shifts_ns={"other.pcap": 1})
    assert caught.value.file == "other.pcap"


def test_times_stay_within_bounds(tmp_path: Path) -> None:
    """A shift beyond the epoch leaves times at its beginning, never below."""
    (path,) = recordings(tmp_path, plc=seen(polling(1)))
    frames, _, _ = taken([path], shifts_ns={str(path): -(2**62)})
    assert {f.time_ns for f in frames} == {0}
    assert read([path], shifts_ns={str(path): 2**62 + 2**61 + 2**60}).counters[0].last_ns == 2**63 - 1


def test_nothing_in_common(tmp_path: Path) -> None:
    """Recorders that overlap and share no packet: nothing is shifted, and that is known."""
    here, there = polling(10), polling(10, device="192.0.2.51", first=88_000)
    frames, (clock,), dropped = taken(recordings(tmp_path, plc=seen(here), other=seen(there, 1000)))
    assert (clock.basis, clock.shift_ns, dropped) == ("none", 0, 0)
    assert clock.files == [str(tmp_path / "other.pcap")]
    assert len(frames) == 400


def test_a_clock_that_was_set(tmp_path: Path) -> None:
    """Where a clock was set while it recorded, most of the packets decide, and the rest is counted."""
    plant = polling(60)
    there = [(t + (SECOND if n < 900 else 9 * SECOND), *rest) for n, (t, *rest) in enumerate(seen(plant))]
    _, (clock,), _ = taken(recordings(tmp_path, plc=seen(plant), device=there))
    assert (clock.shift_ns, clock.matches, clock.agreeing) == (-SECOND, 1200, 900)


def test_one_recorder_is_left_alone(tmp_path: Path) -> None:
    """Files that follow one another, in whatever form, are not compared: no clock, nothing dropped."""
    records = seen(polling(30))
    paths = recordings(tmp_path, c=records[:200], b=records[200:210], a=records[210:])
    frames, clocks, dropped = taken(paths)
    assert (len(frames), clocks, dropped) == (len(records), [], 0)


def test_the_longer_of_two_sightings(tmp_path: Path) -> None:
    """Where the first recorder cut frames short, the other's bytes are used, at the first one's time."""
    plant = polling(5)
    short = [(time_ns, data[:62], size) for time_ns, data, size in seen(plant)]
    frames, _, dropped = taken(recordings(tmp_path, plc=short, device=seen(plant, SECOND)))
    assert dropped == 100
    assert [(f.time_ns, f.data) for f in frames] == [(time_ns, data) for time_ns, data, _ in seen(plant)]
    assert {f.file for f in frames} == {1}


def test_doubled_in_both(tmp_path: Path) -> None:
    """Copies that a mirror port made stay: each recorder's first with the other's first, second with second."""
    plant = polling(5)
    for sighting in plant.wire:
        sighting.copies = (50_000,)
    here = recorded(plant.wire, TAGGED)
    there = [(time_ns + SECOND, data, size) for time_ns, data, size in recorded(plant.wire, Link())]
    frames, (clock,), dropped = taken(recordings(tmp_path, plc=here, device=there))
    assert (clock.basis, clock.shift_ns) == ("frames", -SECOND)
    assert [f.data for f in frames] == [data for _, data, _ in here]
    assert dropped == 200


def test_other_packets_too(tmp_path: Path) -> None:
    """IPv6, ARP and UDP are known again as well; a handshake's packets without identification too."""
    plant = Plant()
    connection = plant.connection(("2001:db8::10", 49152), ("2001:db8::50", 502)).handshake()
    for number in range(20):
        connection.segment(MASTER, adu(number, 1, READ), wait=0.1)
    asked = bytes.fromhex(
        "ffffffffffff00005e0053010806000108000604000100005e005301c000020a000000000000c0000232"
    )
    alike = bytes.fromhex("00005e00530200005e00530108004500001c000100004011b6c7c000020ac0000232")
    alike += bytes.fromhex("c00000a100080000")
    records = [*seen(plant, link=Link()), *((BEGINS_NS + n * SECOND, asked, 42) for n in range(3))]
    records += [(BEGINS_NS + 3 * SECOND + n, alike, 42) for n in range(2)]
    there = [(time_ns + SECOND, data, size) for time_ns, data, size in records]
    frames, _, dropped = taken(recordings(tmp_path, plc=records, device=there))
    assert (len(frames), dropped) == (len(records), len(records))


def test_times_that_stand_still(tmp_path: Path) -> None:
    """Two recordings of one and the same packet, over and over, at one time: all is given out or counted, soon."""
    frame = seen(polling(1))[0][1]
    many = [(BEGINS_NS, frame, len(frame))] * 60_000
    frames, _, dropped = taken(recordings(tmp_path, plc=many, device=many))
    assert len(frames) + dropped == 120_000


def test_ends_that_are_made_to_be_searched_long(tmp_path: Path) -> None:
    """A file whose end is full of what might be records costs no more than its bytes."""
    almost = b"".join((0).to_bytes(8, "little") + (1).to_bytes(4, "little") * 2 + b"\1" for _ in range(4000))
    first = seen(polling(2))
    paths = recordings(tmp_path, plc=first, device=seen(polling(2), SECOND))
    paths[1].write_bytes(paths[1].read_bytes() + almost + b"\7" * 5)
    frames, _, _ = taken(paths)
    assert len(frames) > 4000


def test_packed_files_taken_for_one_recorders(tmp_path: Path) -> None:
    """Packed files whose names differ in digits only are taken to follow one another; where they do not, it is told."""
    for name, at_s, device in (("ring1", 0, "50"), ("ring2", 20, "50"), ("ring3", 25, "51")):
        records = seen(polling(10, device=f"192.0.2.{device}", first=10**6 * at_s), at_s * SECOND)
        (tmp_path / f"{name}.xz").write_bytes(lzma.compress(pcap(records)))
    frames, (clock,), dropped = taken([tmp_path])
    assert (len(frames), dropped) == (600, 0)
    assert (clock.basis, clock.files) == ("none", [str(tmp_path / f"ring{n}.xz") for n in (2, 3)])
    (tmp_path / "ring3.xz").unlink()
    assert taken([tmp_path])[1] == []


def test_times_that_go_back_give_one_answer_however_it_is_read(tmp_path: Path) -> None:
    """Where a recorder writes frames late beside another one, in which pieces files are read changes nothing."""
    records = seen(polling(6))
    late = [*records[:20], *records[25:60], *records[20:25], *records[60:]]
    paths = recordings(tmp_path, first=records, second=late)
    whole, pieces = taken(paths), taken(paths, batch_rows=7)
    assert whole[2] == len(records) - 5
    assert (pieces[0], pieces[2]) == (whole[0], whole[2])


def test_frames_of_which_nothing_was_kept(tmp_path: Path) -> None:
    """Recordings beside each other whose frames hold no byte are read: no frame repeats another one."""
    empty = [(BEGINS_NS + n * SECOND, b"", 60) for n in range(4)]
    paths = recordings(tmp_path, one=empty, two=empty[1:], three=empty[:3])
    frames, _, dropped = taken(paths)
    assert (len(frames), dropped) == (10, 0)


def test_the_longer_sighting_wins_wherever_pieces_end(tmp_path: Path) -> None:
    """Where the first recorder cut frames short, they come with the other one's bytes, in whatever pieces."""
    records = seen(polling(20))
    short = [(time_ns + 1000, data[:60], size) for time_ns, data, size in records]
    paths = recordings(tmp_path, first=short, second=records)
    known = {str(path): 0 for path in paths}  # else the clocks are aligned to the nanosecond
    whole = taken(paths, shifts_ns=known)[0]
    assert [frame.data for frame in whole] == [data for _, data, _ in records]
    pieces = taken(paths, shifts_ns=known, batch_rows=7)[0]
    assert [frame.data for frame in pieces] == [frame.data for frame in whole]


LATE_CLOCKS = (
    (
        "-~=}Tyj=h$j}l4{5Bv%>HGU39$2$`C2E)4Lx&=&73vukiLZCq~q=z8h_7UHG)MDvOqtAMkwEqLr8=pjWYF=8N?;e{08T3}xX_oUT^ni+(>Ea"
        "-zW7rJwK&~S$G>IhUs{l*xcLJJmhnxK(`g-{OuowLE*Lz1(3ajZp0uDX|?2Ob7Am^T`9^`6j^izFkPNQG%gN_sq;8z7UwHG@@QSJwMLdK>sC"
        "hc_-1X8WGSz+g`WV7z3;TQO&$#V7R^M?S#m)aBpB(x4}16S|iu+jyrlP@4{Jv9De+hu7@ZcauBh#;<}g64+EgCet7`GT2p&7|dYE5E2A7Cgt"
        "a7JWBS;{#P4%x&vKbzWULLRlEBq!m@?0j}3HCWg1&&w08wD|a{BVza+T)MYvnmv89(ZqC&lgXz7?$De!ZB+O2yM?vD@Xn=4kI5}|U4$kn$fR"
        "NIIeG6y@#2Nc5)v9|70uoc-4jr%DAvw&Fz$;6;Iae+Ni5~>!2U~F2Bp++Z1aRw8-fa;uSb}}nq=E^67{hcxZfSPc5QmKm+{n{w(=1Nb72TQ{"
        "^&%~Y_^bN6$yE!>S!e%Rq{jdN"
    ),
    (
        ";0l5Q<Xr$Jj}l4{5Bv%>HGU39$2$`C2A_<p*#2dO`Y`Qy^H+c)*Yf>bJ-b~e%Xeq7ncJt~J4EfWBL7098sxQ@IB?cz@hi$bC^1MdaTO%-6Ma"
        "QqCYBo{Q5ZXDW&7Z%g+%S35+W(Js~j=6|M&Gt>a(Weh2OAhgwF!=<svg&<qjSm;~<fF`VEhr=9sCgu6$lG?2!Q4Nv&z#d=aliCqoANrA0g$<"
        "@*N94~7MNfl~R~FHn18NwDK9=TdxNqFeDvbt<AYp^SLhRT~M<7jwN~JK;9?Iqr%Te%-_tuoiiJq*wuf$TZ6`58he%l$Qjs<@+kTIt30BMcYc"
        "GeTs05vlU`Rcq;m(b&3Wa=bu0Z69kByJ@TD%1dO-sHc{5$--sFIfz6~e;=mspJz;WRrxi#6#VBC~#VF%JazOt?bd)Syzcko?0Xlyh)AwVp7T"
        "T$CN&o!y^KhDM0o9c@ZGCKV$~sK<;57G_b~z?+P8c){`S9W>NuS}`P;mC&aecKq;mnc~8SI}Pzf6x->-;x&Q;O!G<DB+cU|Zrsl|XudAlAB`"
        "eJp4y9=IfY-7G!19JQh?D9?}7`1jgn4_+uU-3IJ+9&#D&io5EJQUqML-xo-k*&<$ODcEYX?#0?yblgfHCbv6@W{6bamdDAEi5u-Ey4tmuc#d"
        ";?RWPXnSqKy7?>nKhaIm5qsm`T95%NsT<_LH0`+sb9O0O>@p!Oz>C4BJ&`%Gx(#&WMp&^Pcrg)YBmkg6Knibe>8;8<(lFrrN?OaIv;KiU{~S"
        "k<r`<~Kng>&WuX20n;B$;&!#gdAp&3gRA|@kS1?&4^1f_EEP`tJ@5L0Dvj7?Px&v=L*P#m#)@f%vav?Iy8Zrmmc`k@3d7ZbbZRST&lSVvL_M"
        "K&^X**{~3zT=<|-ngs0dc$Upy2{pkTr-bj3xO(YnloMD=MOCxjRxe{nhIqI8XHwu@w=W74}"
    ),
)
"""Two pcap files that mutation made and shrinking kept: base 85 of raw LZMA2."""


def test_sightings_just_as_far_apart_as_they_may_be(tmp_path: Path) -> None:
    """Packets that two files show exactly SAME_NS apart count once, the same ones in whatever pieces files are read."""
    paths = [tmp_path / "one.pcap", tmp_path / "two.pcap"]
    for path, packed in zip(paths, LATE_CLOCKS, strict=True):
        filters = [{"id": lzma.FILTER_LZMA2}]
        path.write_bytes(lzma.decompress(b85decode(packed), lzma.FORMAT_RAW, filters=filters))
    whole = taken(paths)
    assert whole[2] == 5
    for rows in (1, 2, 3, 7):
        pieces = taken(paths, batch_rows=rows)
        assert (pieces[0], pieces[2]) == (whole[0], whole[2])


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(0, 2), st.sampled_from([2, 2, 2, 1, 0, 3]), st.sampled_from([0, 0, 0, 1])),
        min_size=8,
        max_size=40,
    )
)
def test_chains_of_sightings(tmp_path: Path, chain: list[tuple[int, int, int]]) -> None:
    """One packet seen over and over, here and there, counts as often in whatever pieces the files are read."""
    packets = [data for _, data, _ in seen(polling(1))[:2]]
    files: list[list[Record]] = [[], [], []]
    now_ns = BEGINS_NS
    for file, steps, packet in chain:
        now_ns += steps * 5_000_000
        files[file].append((now_ns, packets[packet], len(packets[packet])))
    paths = recordings(tmp_path, **{f"at{file}": records for file, records in enumerate(files) if records})
    whole = taken(paths)
    for sizes in ({"batch_rows": 1}, {"block_bytes": 64}, {"block_bytes": 64, "batch_rows": 3}):
        pieces = taken(paths, **sizes)
        assert (pieces[0], pieces[2]) == (whole[0], whole[2])
