"""`mbsniff findings` as a user meets it."""

from __future__ import annotations

from mbsniff.diagnose.catalogue import CATALOGUE
from mbsniff.diagnose.causes.table import TABLE
from tests.cli.run import ROOT, mbsniff


def test_all_findings_and_causes_a_sentence_each() -> None:
    """Every code begins a line."""
    run = mbsniff("findings")
    assert (run.status, run.err) == (0, "")
    firsts = {line.split()[0] for line in run.out.splitlines() if line and not line.startswith(" ")}
    assert firsts == {"Causes:", *(kind.code for kind in CATALOGUE), *(row.code for row in TABLE)}


def test_one_finding_in_full() -> None:
    """What decides it, what it is not, and what to do."""
    run = mbsniff("findings", "idle-close")
    assert (run.status, run.err) == (0, "")
    assert run.out.startswith("idle-close: closed when idle\n")
    assert "Not to be mistaken for" in run.out and "What to do" in run.out


def test_one_cause_in_full() -> None:
    """Every row of the table that has the code, with its evidence, its neighbours and what would decide."""
    run = mbsniff("findings", "device-unreachable")
    assert (run.status, run.err) == (0, "")
    assert run.out.count("device-unreachable: a cause of a silence") == 3
    assert "Must not be there" in run.out and "What would decide" in run.out


def test_one_piece_of_evidence_in_full() -> None:
    """Its meaning, and which causes it argues for."""
    run = mbsniff("findings", "late-replies")
    assert (run.status, run.err) == (0, "")
    assert run.out.startswith("late-replies: evidence\n") and "replies-late" in run.out


def test_the_page() -> None:
    """The page beside the samples is what the command prints."""
    run = mbsniff("findings", "--format", "markdown")
    assert run.out == (ROOT / "samples" / "findings.md").read_text(encoding="utf-8")


def test_no_such_finding() -> None:
    """One line, with the nearest code, and status 2; what was typed does not act on the terminal."""
    run = mbsniff("findings", "idle-closed")
    assert (run.status, run.out) == (2, "")
    assert run.err.count("\n") == 1 and 'Did you mean "idle-close"?' in run.err
    assert "\x1b" not in mbsniff("findings", "\x1b[31m").err
