"""The table of causes is sound in itself: names, neighbours, texts, and an order in which each row can be reached."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from mbsniff.diagnose.causes.evidence import BY_NAME, EVIDENCE
from mbsniff.diagnose.causes.row import Row
from mbsniff.diagnose.causes.table import TABLE
from mbsniff.diagnose.causes.verdict import DOUBTS
from mbsniff.report.causes_page import cause_text, causes_markdown, causes_text, codes

CODES = {row.code for row in TABLE}
ROWS = [pytest.param(row, id=f"{place}-{row.code}") for place, row in enumerate(TABLE, 1)]


def names(row: Row) -> Iterator[str]:
    """All evidence that a row goes by."""
    yield from (*row.all_of, *row.any_of, *row.none_of)
    yield from (name for name, _ in row.adds)
    yield from (name for each in row.surer for name in each)
    yield from (name for each in row.neighbours for name in (each.has, each.lacks) if name)


def test_evidence_has_names_of_its_own() -> None:
    """No name twice, none that is a cause's where that would confuse, and every composite is made of simple ones."""
    assert len(BY_NAME) == len(EVIDENCE)
    for fact in EVIDENCE:
        assert bool(fact.find) != bool(fact.any_of)
        assert all(BY_NAME[name].find for name in fact.any_of)
        assert fact.meaning.endswith(".") and not fact.there.endswith(".") and not fact.lacking.endswith(".")


def test_all_evidence_is_used() -> None:
    """A fact that no row, composite or doubt goes by would be dead."""
    used = {name for row in TABLE for name in names(row)}
    used |= {name for fact in EVIDENCE for name in fact.any_of} | set(DOUBTS) | {"as-usual"}
    assert set(BY_NAME) - used == set()


@pytest.mark.parametrize("row", ROWS)
def test_a_row_is_whole(row: Row) -> None:
    """Its evidence and neighbours exist, nothing is both asked for and forbidden, and its texts are sentences."""
    assert set(names(row)) <= BY_NAME.keys()
    assert not {*row.all_of, *row.any_of} & set(row.none_of)
    assert {neighbour.cause for neighbour in row.neighbours} <= CODES - {row.code}
    assert row.shows.endswith(".") and row.advice.endswith(".")
    assert row.decides and not any(text.endswith(".") for text in row.decides)
    assert all("{}" in how or not how for _, how in row.adds)


@pytest.mark.parametrize("row", ROWS)
def test_every_neighbour_is_told_apart_or_remains(row: Row) -> None:
    """It goes by one piece of evidence, or says why it remains; a row's own evidence never lets it remain."""
    for neighbour in row.neighbours:
        assert not (neighbour.has and neighbour.lacks)
        assert neighbour.has or neighbour.lacks or neighbour.remains
        assert not (neighbour.lacks in row.all_of and neighbour.lacks)
        assert not (neighbour.has and neighbour.has in row.none_of)


def test_neighbours_are_mutual_enough() -> None:
    """Every cause but the last resort is some other row's neighbour, so that somebody argues against it."""
    told = {neighbour.cause for row in TABLE for neighbour in row.neighbours}
    assert CODES - told == {"none-seen", "starved-by-neighbour", "path-event"} - told


def test_the_last_row_always_fits() -> None:
    """So every silence has a verdict, in health too; no other row fits without evidence."""
    *others, last = TABLE
    assert (last.code, last.in_health) == ("none-seen", True)
    assert not last.all_of and not last.any_of and not last.none_of
    assert all(row.all_of or row.any_of for row in others)


def test_no_row_hides_another() -> None:
    """A row whose evidence is part of a later one's, with nothing against it, would never let that one be reached."""
    for place, row in enumerate(TABLE):
        if row.none_of or row.any_of:
            continue
        for later in TABLE[place + 1 : -1]:
            assert not set(row.all_of) <= set(later.all_of), (row.code, later.code)


def test_the_page_tells_every_row_and_all_evidence() -> None:
    """Needs, what must not be there, neighbours, what would decide."""
    page = causes_markdown()
    for place, row in enumerate(TABLE, 1):
        assert f"## {place}. `{row.code}`\n" in page and row.shows in page and row.advice in page
        assert all(f"`{name}`" in page for name in names(row)) and "; ".join(row.decides) in page
    assert all(f"- `{fact.name}`: {fact.meaning}" in page for fact in EVIDENCE)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_texts_keep_to_the_width(width: int) -> None:
    """No line of the list, of any cause or piece of evidence is wider than the terminal."""
    pages = [causes_text(width), *(cause_text(code, width) for code in codes())]
    assert all(pages)
    assert max(len(line) for page in pages for line in page.splitlines()) <= width
