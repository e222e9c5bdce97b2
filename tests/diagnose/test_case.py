"""What the rules look things up with: frames of several files, requests between two times, names of masters."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.capture import open_recording
from mbsniff.diagnose import Evidence, diagnose
from mbsniff.diagnose.case import MOST_EVIDENCE, Case
from mbsniff.diagnose.replies import _shared, _touches
from mbsniff.exchange import read_exchange
from mbsniff.exchange.columns import E_TIME_NS
from mbsniff.measure import PollFigures, measure
from mbsniff.site import Site
from mbsniff.site.limits import Master
from tests.builders.measured import BEGINS_NS, SECOND, at, poll
from tests.builders.plant import DEVICE, Plant
from tests.builders.recorder import pcap, recorded
from tests.diagnose.built import ZONE, every, master
from tests.diagnose.test_diagnosis import whole

SITE = Site(masters=(Master("oven PLC\x1b", ("192.0.2.10",)),), defaults=ZONE)


def case_of(plant: Plant) -> Case:
    made = whole(plant, SITE)
    return Case(made.exchange, made.facts, made.figures, made.site)


def three_devices() -> Plant:
    """Requests at whole, half and three quarter seconds; device 51 has two units, told apart."""
    plant = Plant()
    poll(master(plant), every(1, 0, 10))
    poll(master(plant, device=51), every(1, 0.5, 10), unit=1)
    poll(master(plant, device=51, port=50000), every(1, 0.75, 10), unit=2)
    return plant


CASE = case_of(three_devices())


@given(st.lists(st.integers(0, 2), unique=True), st.integers(-5, 45), st.integers(-5, 45))
def test_requests_between(devices: list[int], from_quarters: int, until_quarters: int) -> None:
    """Exactly those of the devices whose times lie in [from, until), as a plain filter finds them."""
    begin, end = (BEGINS_NS + q * SECOND // 4 for q in (from_quarters, until_quarters))
    found = CASE.requests_between(np.array(devices, np.int64), begin, end).tolist()
    times = CASE.exchange.request_ns
    plain = [
        row
        for device in devices
        for row in CASE.figures.groups.transactions(device).tolist()
        if begin <= times[row] < end
    ]
    assert found == plain


def test_events_are_the_endpoints_own() -> None:
    """Both ends of the span included, in time order, and none of another endpoint."""
    plant = three_devices()
    link, other = master(plant, port=51000), master(plant, device=51, port=51001)
    for seconds, each in ((3, link), (4, other), (5, link), (6, link)):
        at(plant, seconds)
        each.segment(DEVICE, flags=0x14)
    case = case_of(plant)
    device = case.figures.devices[0]
    events = case.events(device, BEGINS_NS + 3 * SECOND, BEGINS_NS + 5 * SECOND)
    assert ((events[:, E_TIME_NS] - BEGINS_NS) // SECOND).tolist() == [3, 5]


def test_masters_go_by_their_name_with_the_address() -> None:
    """One line, whatever is in the name; an unknown one goes by its address."""
    assert CASE.master_name("192.0.2.10") == "oven PLC\\x1b (192.0.2.10)"
    assert CASE.master_name("192.0.2.20") == "192.0.2.20"


def test_evidence_names_the_file_and_the_frame_within_it() -> None:
    """Recorded in two files: the frames around the silence are in both, each counted from 1."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 50))
    records = recorded(plant.wire)
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / "a.pcap", Path(folder) / "b.pcap"]
        paths[0].write_bytes(pcap(records[:40]))
        paths[1].write_bytes(pcap(records[40:]))
        with open_recording([str(path) for path in reversed(paths)]) as recording:
            exchange, facts = read_exchange(recording, compiled=False)
        made = diagnose(exchange, facts, measure(exchange, facts, SITE, compiled=False), SITE)
    (due,) = [f for f in made.findings if f.code == "watchdog-due"]
    assert due.evidence == (Evidence(str(paths[0]), 39), Evidence(str(paths[1]), 1))


def test_evidence_is_limited() -> None:
    """A few frames are enough, however many requests there are."""
    rows = CASE.transactions(CASE.figures.devices[0]).tolist()
    assert len(rows) > MOST_EVIDENCE
    assert len(CASE.request_frames(rows)) == len(CASE.reply_frames(rows)) == MOST_EVIDENCE


def writing(start: int, quantity: int, function: int) -> PollFigures:
    return PollFigures(0, "", function, start, quantity, None, None, 1, 1, 0, True, "cyclic", None)


WRITES = st.lists(
    st.builds(writing, st.integers(0, 30), st.integers(1, 6), st.sampled_from([15, 16])), max_size=8
)


@given(WRITES, WRITES)
def test_shared_places_by_trying_all(one: list[PollFigures], other: list[PollFigures]) -> None:
    """Coils and registers that both write, as sets find them; spans lie apart, and each poll knows whether it meets."""

    def places(polls: list[PollFigures]) -> set[tuple[str, int]]:
        kinds = {15: "coil", 16: "register"}
        return {(kinds[p.function], (p.start or 0) + k) for p in polls for k in range(p.quantity or 0)}

    shared = _shared(one, other)
    both = places(one) & places(other)
    assert {(kind, n) for kind, first, end in shared for n in range(first, end)} == both
    assert all(a[0] != b[0] or a[2] < b[1] for a, b in pairwise(shared))
    for each in (*one, *other):
        assert _touches(each, shared) is bool(places([each]) & both)
