"""How TCP cuts a conversation into segments never changes its transactions."""

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.builders.adus import FUNCTIONS, adu, pdus
from tests.builders.exchanges import exchange_of, told
from tests.builders.packets import ACK, PSH
from tests.builders.plant import DEVICE, MASTER, Plant

TURNS = st.lists(
    st.tuples(
        st.sampled_from(FUNCTIONS), st.integers(0, 3), st.integers(1, 8), st.integers(0, 9), st.booleans()
    ),
    min_size=1,
    max_size=8,
)
Turn = tuple[int, int, int, int, bool]


def acted(turns: list[Turn], sizes: list[int]) -> list[dict[str, Any]]:
    """The transactions of requests (and replies, where the last of a turn says so) in segments of these sizes."""
    plant = Plant()
    connection = plant.connection().handshake()
    for number, (function, start, count, value, replied) in enumerate(turns):
        request, reply = pdus(function, start, count, value)
        for side, pdu in ((MASTER, request), (DEVICE, reply))[: 1 + replied]:
            plant.wait(0.02)
            message = adu(number % 3, 1, pdu)
            turn = 0
            while message:
                size = sizes[turn % len(sizes)]
                connection.segment(side, message[:size], ACK | PSH)
                message = message[size:]
                turn += 1
    return [
        {name: value for name, value in one.items() if "frame" not in name and name != "ack_s"}
        for one in told(exchange_of(plant))
    ]


@settings(deadline=None, max_examples=60)
@given(TURNS, st.lists(st.integers(1, 9), min_size=1, max_size=5))
def test_segments_of_any_size(turns: list[Turn], sizes: list[int]) -> None:
    """Whole messages, segments of any sizes and single bytes give the same transactions."""
    whole = acted(turns, [300])
    assert len(whole) == len(turns)
    assert acted(turns, [1]) == whole
    assert acted(turns, sizes) == whole
