"""The loops over an endpoint's replies: in their own order, whatever overtook what."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.exchange.columns import ANSWERED, UNANSWERED
from mbsniff.measure.passes import SHIFTS_PER_REPLY, gather_services

ASKED = st.lists(st.tuples(st.integers(0, 50), st.integers(0, 30), st.integers(0, 1)), max_size=40)


def services(asked: list[tuple[int, int, int]]) -> tuple[int, list[list[int]]]:
    """What the loop answers, and the service times of devices 0 and 1, of (time, reply time, device)."""
    count = len(asked)
    request_ns, reply_ns, poll = np.array(asked, np.int64).reshape(-1, 3).T.copy()
    places, lengths = np.array([0, count]), np.zeros(2 * count, np.int64)
    reply_frame = np.argsort(np.argsort(request_ns + reply_ns, kind="stable"), kind="stable")
    found = gather_services(
        np.arange(count, dtype=np.int32), request_ns, reply_ns, reply_frame.astype(np.uint32),
        poll.astype(np.int32), np.full(count, ANSWERED, np.uint8), np.array([7, 8]), 7,
        np.zeros(count, np.int64), places, lengths,
    )  # fmt: skip
    return found, [lengths[: places[0]].tolist(), lengths[count : places[1]].tolist()]


@given(ASKED)
def test_service_times(asked: list[tuple[int, int, int]]) -> None:
    """From the request, or the previous reply of the endpoint where that came later, to the reply."""
    asked.sort(key=lambda one: one[0])
    found, lengths = services(asked)
    if found < 0:  # told below
        return
    expected: list[list[int]] = [[], []]
    before = -1
    for at, waited, device in sorted(asked, key=lambda one: one[0] + one[1]):
        expected[device].append(at + waited - max(before, at))
        before = at + waited
    assert (found, lengths) == (len(asked), expected)


def test_replies_out_of_all_order() -> None:
    """Where replies come in the reverse order of many requests, the loop leaves sorting to others."""
    count = 4 * SHIFTS_PER_REPLY
    assert services([(k, 10 * (count - k), 0) for k in range(count)])[0] == -1


def test_unanswered_has_no_service_time() -> None:
    """Only answered requests count."""
    request_ns, none = np.zeros(1, np.int64), np.zeros(1, np.int64)
    found = gather_services(
        np.zeros(1, np.int32), request_ns, none, np.zeros(1, np.uint32), np.zeros(1, np.int32),
        np.full(1, UNANSWERED, np.uint8), none, 0, none.copy(), none.copy(), none.copy(),
    )  # fmt: skip
    assert found == 0
