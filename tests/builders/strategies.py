"""Hypothesis strategies: conversations of all kinds, links, and what recorders do to frames."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import strategies as st

from tests.builders.adus import FUNCTIONS
from tests.builders.packets import COOKED, COOKED_2, ETHERNET, IPV4, IPV6, LOOP, NULL, RAW, Link
from tests.builders.recorder import Record, pcap, recorded
from tests.builders.traffic import ACTS, V4, V6, Step, act_out

_OFTEN = (
    "ask",
    "ask",
    "ask",
    "answer",
    "answer",
    "answer",
    "cycle",
    "ask fixed",
    "ask in parts",
    "answer in parts",
)
_WAITS = (0.0, 0.000001, 0.001, 0.004, 0.01, 0.02, 0.049999999, 0.05, 0.2, 0.5, 0.99, 1.01, 3.0, 20.0, 61.0)
_MISHAPS = ("lost", "lost", "copy", "copy late", "copy too late", "copies", "early1", "early2", "early3")
_CUTS = ("cut20", "cut27", "cut28", "cut30", "cut35")
_FATES = (*[""] * 12, *_MISHAPS, *_CUTS)


def steps(fates: tuple[str, ...] = _FATES) -> st.SearchStrategy[Step]:
    """One step of a conversation."""
    return st.builds(
        Step,
        act=st.sampled_from([*_OFTEN, *_OFTEN, *ACTS]),
        who=st.sampled_from([0, 0, 0, 1, 2, 3, 4]),
        wait=st.sampled_from(_WAITS),
        unit=st.sampled_from([1, 1, 1, 0, 2, 255]),
        function=st.sampled_from([3, 3, 3, 6, 16, *FUNCTIONS]),
        start=st.integers(0, 3),
        count=st.integers(1, 16),
        value=st.integers(0, 9),
        pick=st.sampled_from([0, 0, 0, 0, *range(1, 13)]),
        stale=st.booleans(),
        fate=st.sampled_from(fates),
    )


@st.composite
def links(draw: st.DrawFn, is_ip6: bool) -> Link:
    """A link type that can carry the IP version."""
    number = draw(st.sampled_from([ETHERNET, ETHERNET, ETHERNET, RAW, COOKED, COOKED_2, NULL, LOOP,
                                   IPV6 if is_ip6 else IPV4]))  # fmt: skip
    tags = draw(st.sampled_from([(), (0x8100,), (0x88A8, 0x8100)])) if number == ETHERNET else ()
    return Link(number, tags, draw(st.sampled_from(["little", "big"])))


@dataclass(frozen=True)
class Capture:
    """A generated capture, and what it was made of."""

    steps: list[Step]
    link: Link
    addresses: tuple[str, ...]
    first: int
    snap: int | None

    @property
    def records(self) -> list[Record]:
        """The records of its frames."""
        plant = act_out(self.steps, addresses=self.addresses, first=self.first)
        return recorded(plant.wire, self.link, self.snap)

    def file_of(self, records: list[Record]) -> bytes:
        """A pcap file of records of this link."""
        return pcap(records, self.link)

    @property
    def data(self) -> bytes:
        """The pcap file."""
        return self.file_of(self.records)


@st.composite
def captures(draw: st.DrawFn, most: int = 40) -> Capture:
    """Captures of up to ``most`` steps."""
    addresses = draw(st.sampled_from([V4, V4, V6]))
    return Capture(
        draw(st.integers(1, most).flatmap(lambda size: st.lists(steps(), min_size=size, max_size=size))),
        draw(links(addresses is V6)),
        addresses,
        draw(st.sampled_from([1000, 2**32 - 5, 2**32 - 30, 2**31 - 5])),
        draw(st.sampled_from([None, None, None, 66, 70])),
    )
