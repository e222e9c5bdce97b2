"""`mbsniff site` as a user meets it: drafting, checking, and the page of keys."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.run import ROOT, mbsniff

SAMPLE = "samples/link-down.pcap"


def table(out: str) -> list[list[str]]:
    """The rows of a diagnosis table, without names."""
    rows = [line for line in out.splitlines() if line.startswith(("due", "risk", "open", "fine"))]
    return [line.replace("device", " ").split()[:1] + line.split("192.0.2.")[1].split() for line in rows]


def test_drafted_checked_and_used(tmp_path: Path) -> None:
    """A draft goes through --check, and diagnose shows the same table with it, apart from names."""
    run = mbsniff("site", SAMPLE)
    assert (run.status, run.err) == (0, "")
    site = tmp_path / "draft.toml"
    site.write_text(run.out, encoding="utf-8")
    checked = mbsniff("site", "--check", str(site))
    told = " ".join(checked.out.split())  # where lines end depends on how long the path is
    assert checked.status == 0 and "no errors. 2 masters, 1 family, 6 devices." in told
    assert "watchdog_s, everywhere: whether its watchdog was due." in checked.out
    with_draft, without = mbsniff("diagnose", SAMPLE, "--site", str(site)), mbsniff("diagnose", SAMPLE)
    assert len(table(without.out)) == 6
    assert table(with_draft.out) == table(without.out)
    assert with_draft.status == without.status == 0


def test_hardware_addresses_come_from_files_not_from_pipes() -> None:
    """A file is looked at a second time; standard input cannot be, and nothing is said about them then."""
    assert 'hardware_address = "00-00-5E-00-53-53"' in mbsniff("site", SAMPLE).out
    piped = mbsniff("site", "-", stdin=(ROOT / SAMPLE).read_bytes())
    assert piped.status == 0 and "hardware_address" not in piped.out


def test_keys_are_the_page_beside_the_sample() -> None:
    """`--keys` prints the reference."""
    run = mbsniff("site", "--keys")
    assert (run.status, run.out) == (0, (ROOT / "samples" / "site-keys.md").read_text(encoding="utf-8"))


def test_a_wrong_file_is_one_line_and_status_2(tmp_path: Path) -> None:
    """The error says file, line, key and the nearest right one, on standard error alone."""
    site = tmp_path / "site.toml"
    site.write_text('[[device]]\naddress = "192.0.2.50"\nregistres = "zone.csv"\n')
    run = mbsniff("site", "--check", str(site))
    assert (run.status, run.out) == (2, "")
    assert run.err.startswith(
        f'mbsniff: {site}, line 3: key "registres" is not known; did you mean "registers"?'
    )
    assert run.err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments", [(), (SAMPLE, "--keys"), ("--check", "x.toml", "--keys"), (SAMPLE, "--check", "x")]
)
def test_one_thing_at_a_time(arguments: tuple[str, ...]) -> None:
    """Nothing to do, or two things, is a wrong call."""
    run = mbsniff("site", *arguments)
    assert (run.status, run.out) == (2, "")
    assert "Give captures to draft from, or --check FILE, or --keys." in run.err


def test_no_capture_there(tmp_path: Path) -> None:
    """A missing recording is one line."""
    run = mbsniff("site", str(tmp_path / "none.pcap"))
    assert (run.status, run.out, run.err.count("\n")) == (2, "", 1)
