"""How densely devices and endpoints are read: half-open windows over all masters and units."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.measure.load import W_LONG, W_NEXT, W_SHORT, WINDOW_COLUMNS, busiest_windows
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


READS = st.lists(st.tuples(st.integers(0, 5 * SECOND), st.integers(-1, 1)), max_size=60)


@given(READS, st.sampled_from([1, SECOND // 3, SECOND]), st.sampled_from([1, SECOND // 2, 2 * SECOND]))
def test_busiest_windows_by_trying_all(reads: list[tuple[int, int]], short: int, long: int) -> None:
    """Windows found, of all masters and of each, are the best that begin with a read, and the first such."""
    reads.sort()
    times, masters = np.array(reads, np.int64).reshape(-1, 2).T.copy()
    found = np.zeros((3, WINDOW_COLUMNS), np.int64)
    found[2, W_NEXT] = np.count_nonzero(masters == 0)
    order, reader = np.arange(len(reads), dtype=np.int32), np.array([-1, 0, 1])
    poll, apart = (masters + 1).astype(np.int32), np.zeros_like(times)
    busiest_windows(order, times, poll, reader, short, long, np.zeros_like(times), apart, found)
    for row, own in enumerate([times[masters >= 0], times[masters == 0], times[masters == 1]]):
        for column, width in ((W_SHORT, short), (W_LONG, long)):
            counts = [int(np.count_nonzero((own >= t) & (own < t + width))) for t in own.tolist()]
            most = max(counts, default=0)
            first = own[counts.index(most)] if counts else 0
            assert found[row, column : column + 2].tolist() == [most, first]
