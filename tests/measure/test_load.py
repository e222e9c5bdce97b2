"""How densely devices and endpoints are read: half-open windows over all masters and units."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.measure.passes import busiest_window
from tests.builders.measured import BEGINS_NS, SECOND, device_of, figures_of, poll
from tests.builders.plant import Plant

WRITE, WRITTEN = bytes.fromhex("0600010007"), bytes.fromhex("0600010007")


@pytest.mark.parametrize(("last_s", "reads"), [(1.0, 2), (0.999999999, 3)])
def test_window_is_half_open(last_s: float, reads: int) -> None:
    """A read exactly one second after another falls outside its window."""
    plant = Plant()
    poll(plant.connection(), [0, 0.5, last_s], reply_s=0)
    assert device_of(plant).busiest.reads == reads


def test_only_reads_count() -> None:
    """Writes and orphan replies are no load; a request that reads and writes is one."""
    plant = Plant()
    connection = plant.connection().handshake()
    poll(connection, [0, 0.1], reply_s=0)
    poll(connection, [0.2, 0.3], request=WRITE, reply=WRITTEN, reply_s=0, first=10)
    poll(
        connection, [0.4], request=bytes.fromhex("170000000100320001020007"), reply=b"\x17\x02\0\0", first=20
    )
    connection.answer(bytes.fromhex("0063 0000 0005 01 03 02 0007"))
    device = device_of(plant)
    assert (device.reads, device.busiest.reads, device.busiest.from_ns) == (3, 3, BEGINS_NS)


def test_endpoint_and_its_masters() -> None:
    """An endpoint bears the reads of all its units and masters; each master's are told apart."""
    plant = Plant()
    poll(plant.connection(), [0, 0.2, 0.4], unit=1, reply_s=0)
    poll(plant.connection(("192.0.2.11", 49152)), [0.1, 0.3, 5], unit=2, reply_s=0)
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    figures = figures_of(plant)
    (endpoint,) = figures.endpoints
    assert (endpoint.load.reads, endpoint.load.second.reads, endpoint.load.ten_seconds.reads) == (6, 5, 6)
    shares = {master: (load.reads, load.second.reads) for master, load in endpoint.by_master.items()}
    assert shares == {"192.0.2.10": (3, 3), "192.0.2.11": (3, 2)}
    assert [device.busiest.reads for device in figures.devices] == [3, 2]


def test_no_reads() -> None:
    """Without a read the busiest second is empty and has no time."""
    plant = Plant()
    poll(plant.connection(), [0, 1], request=WRITE, reply=WRITTEN)
    busiest = device_of(plant).busiest
    assert (busiest.reads, busiest.from_ns) == (0, None)


@given(st.lists(st.integers(0, 5 * SECOND), max_size=60), st.sampled_from([1, SECOND // 3, SECOND]))
def test_busiest_window_by_trying_all(times: list[int], width: int) -> None:
    """The window found is the best of those that begin with any of the times, and the first such."""
    ordered = np.array(sorted(times), np.int64)
    found = np.zeros(2, np.int64)
    busiest_window(ordered, width, found)
    counts = [int(np.count_nonzero((ordered >= t) & (ordered < t + width))) for t in ordered.tolist()]
    assert found[0] == max(counts, default=0)
    if times:
        inside = (ordered >= found[1]) & (ordered < found[1] + width)
        assert found[1] in times and np.count_nonzero(inside) == found[0]
