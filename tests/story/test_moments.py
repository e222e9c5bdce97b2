"""Folding, names and phrases."""

from __future__ import annotations

import string

import pytest

from mbsniff.story.kinds import BY_CODE, KINDS
from mbsniff.story.moments import LENGTH, Moment, Phases, steps_of
from mbsniff.story.times import Times
from tests.story.told import NS, sample

ALL = Phases(0, 1000 * NS)


def steps(*moments: Moment, phases: Phases = ALL, fold: bool = True) -> list[tuple[str, int]]:
    """(sentence, how many folded) of each step."""
    from mbsniff.diagnose.case import Case

    d = sample("link-down.pcap", "oven.toml")
    case = Case(d.exchange, d.facts, d.figures, d.site)
    return [(s.text, s.count) for s in steps_of(moments, case, Times(), phases, fold=fold)]


def again(at_s: float, whom: str = "zone 3") -> Moment:
    """Data sent again."""
    return Moment("sent-again", round(at_s * NS), (round(at_s * 10),), "PLC", whom, group="again")


def test_alike_ones_are_one_sentence() -> None:
    """Also where others lie between; with how often, and until when."""
    told = steps(again(1), Moment("closed", 2 * NS, (), "PLC", "zone 3"), again(1.2), again(1.6), again(2.4))
    assert told[0] == ("no acknowledgement from zone 3: PLC's TCP sent again, 4 times until 00:00:02.400", 4)
    assert [count for _, count in told] == [4, 1]


def test_twice() -> None:
    """Two times are said as people say it."""
    assert "twice until 00:00:02.000" in steps(again(1), again(2))[0][0]


def test_waits_that_double_stay_one_sentence() -> None:
    """As TCP sends again; a long pause begins another sentence."""
    assert len(steps(*(again(t) for t in (1, 1.2, 1.6, 2.4, 4, 7.2, 13.6)))) == 1
    assert len(steps(again(1), again(1.2), again(9))) == 2


def test_not_folded() -> None:
    """Different devices, different phases, or where everything is asked for."""
    assert len(steps(again(1), again(1.5, "zone 4"))) == 2
    assert len(steps(again(1), again(1.5), phases=Phases(0, NS))) == 2
    assert len(steps(again(1), again(1.5), fold=False)) == 2


def test_lengths_are_folded_into_a_range() -> None:
    """Of the shortest and the longest."""
    slow = [
        Moment("slow-reply", k * NS, (k,), "PLC", "zone 3", f"{LENGTH}", group="s", length_ns=k * NS)
        for k in (1, 2, 3)
    ]
    assert steps(*slow)[0][0].endswith(": 1 to 3 s")


def test_what_is_not_context_belongs_to_the_silence_alone() -> None:
    """Keep-alive probes before and after are not told."""
    probe = [Moment("probed", k * NS, (), "PLC", "zone 3") for k in (1, 5, 9)]
    assert len(steps(*probe, phases=Phases(4 * NS, 6 * NS))) == 1


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.code)
def test_sentences_are_whole(kind) -> None:  # type: ignore[no-untyped-def]
    """Every sentence of the table can be filled, and begins with a name or a small letter; codes are unique."""
    words = {"who": "A", "whom": "B", "what": "C", "times": "D"}
    fields = {name for _, name, *_ in string.Formatter().parse(kind.one + kind.many) if name}
    assert fields <= set(words) and BY_CODE[kind.code] is kind
    assert "times" not in {name for _, name, *_ in string.Formatter().parse(kind.one)}
    assert not kind.many or "{times}" in kind.many
    assert not kind.one.format(**words).endswith(".")
