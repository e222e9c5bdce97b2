"""The page of findings, and one finding in full."""

from __future__ import annotations

from pathlib import Path

import pytest

from mbsniff.diagnose.catalogue import CATALOGUE
from mbsniff.report.causes_page import causes_markdown
from mbsniff.report.findings_page import findings_markdown, findings_text

SAMPLES = Path(__file__).parents[2] / "samples"


def test_the_reference_page_is_the_one_beside_the_samples() -> None:
    """samples/findings.md is what `mbsniff findings --format markdown` prints."""
    page = findings_markdown(CATALOGUE) + "\n" + causes_markdown()
    assert (SAMPLES / "findings.md").read_text(encoding="utf-8") == page


def test_every_finding_has_a_section_with_all_its_parts() -> None:
    """Level, meaning, evidence, look-alike and advice of each are on the page."""
    page = findings_markdown(CATALOGUE)
    for kind in CATALOGUE:
        assert f"## `{kind.code}`: {kind.brief}\n" in page
        assert all(
            part in page for part in (kind.level, kind.meaning, kind.evidence, kind.look_alike, kind.advice)
        )


@pytest.mark.parametrize("width", [60, 80, 120])
def test_text_keeps_to_the_width(width: int) -> None:
    """No line of the list or of any finding is wider than the terminal."""
    pages = [findings_text(CATALOGUE, width), *(findings_text([kind], width) for kind in CATALOGUE)]
    assert max(len(line) for page in pages for line in page.splitlines()) <= width


def test_each_text_of_the_table_is_whole_sentences() -> None:
    """Each ends with a full stop; levels begin with one that exists."""
    for kind in CATALOGUE:
        assert all(text.endswith(".") for text in (kind.meaning, kind.evidence, kind.look_alike, kind.advice))
        assert kind.level.startswith(("fault", "risk", "remark"))
