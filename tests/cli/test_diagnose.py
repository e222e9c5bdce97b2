"""`mbsniff diagnose` as a user meets it: output, standard error and exit status."""

from __future__ import annotations

import csv
import gzip
import io
import json
import struct
from pathlib import Path

import pytest

from tests.cli.run import ROOT, mbsniff
from tests.same_answer.frames import records_of, written

SAMPLES = ROOT / "samples"
SITE = "samples/oven.toml"


def test_names_the_zone_whose_watchdog_was_due_and_ends_with_1() -> None:
    """The first README command's run: the zone, when, for how long, why; status 1 since that is a fault."""
    run = mbsniff("diagnose", "samples/link-down.pcap", "--site", SITE)
    table = [line for line in run.out.splitlines() if line.startswith("due")]
    assert run.status == 1
    assert len(table) == 1
    assert "zone 3 192.0.2.53/1" in table[0]
    assert "device-unreachable" in table[0]
    assert "no feed for 8.17 to 12.4 s" in run.out
    assert run.err == ""


def test_names_the_masters_whose_reads_add_up_to_too_many() -> None:
    """The sum's finding names every master with its share."""
    run = mbsniff("diagnose", "samples/recipe-terminal.pcapng.gz", "--site", SITE)
    assert run.status == 1
    for master in (
        "recipe terminal (192.0.2.30)",
        "oven PLC (192.0.2.10)",
        "supervisory station (192.0.2.20)",
    ):
        assert f"{master} at most" in " ".join(run.out.split())


def test_a_healthy_recording_ends_with_0() -> None:
    """Nothing wrong, nothing found, every zone fine."""
    run = mbsniff("diagnose", "samples/healthy-shift.pcap", "--site", SITE)
    assert run.status == 0
    assert "Nothing found." in run.out
    assert sum(line.startswith("fine") for line in run.out.splitlines()) == 6


def test_judges_nothing_without_limits() -> None:
    """Without a stated limit there is no verdict and no status 1, not even on the link that was down."""
    run = mbsniff("diagnose", "samples/link-down.pcap")
    assert run.status == 0
    assert "watchdog-due" not in run.out
    assert "No watchdog timeout is stated for 6 devices" in run.out


def test_limits_from_options_judge_like_a_site_file() -> None:
    """`--watchdog`, `--max-block` and `--max-reads` alone find the same zone."""
    run = mbsniff(
        "diagnose", "samples/link-down.pcap", "--watchdog", "3s", "--max-block", "16", "--max-reads", "4",
        "--format", "json",
    )  # fmt: skip
    found = {f["device"] for f in json.loads(run.out)["findings"] if f["code"] == "watchdog-due"}
    assert run.status == 1
    assert found == {"192.0.2.53:502/1"}


def test_standard_input_is_read_like_the_file() -> None:
    """`-` gives the same diagnosis, the file's name and what takes a second look at the recording aside."""
    raw = (SAMPLES / "link-down.pcap").read_bytes()
    piped = json.loads(mbsniff("diagnose", "-", "--site", SITE, "--format", "json", stdin=raw).out)
    named = json.loads(mbsniff("diagnose", "samples/link-down.pcap", "--site", SITE, "--format", "json").out)
    assert piped["recording"].pop("files") == ["-"]
    named["recording"].pop("files")
    assert piped["findings"][0]["recovery"]["status"]["outcome"] == "no second look"
    assert named["findings"][0]["recovery"]["status"]["outcome"] == "fell back"
    said = named["findings"][0]["text"].index(" Its status register shows that it fell back")
    named["findings"][0]["text"] = named["findings"][0]["text"][:said].removesuffix(".")
    del named["findings"][0]["evidence"][-1]  # the reading of the status register
    for finding in (*piped["findings"], *named["findings"]):
        for evidence in finding["evidence"]:
            del evidence["file"]
        finding.pop("recovery")
    assert piped == named


def test_json_has_the_names_of_schema_1() -> None:
    """Names that users' programs rely on, nulls instead of NaN, and evidence by file and frame."""
    run = mbsniff("diagnose", "samples/link-down.pcap", "--site", SITE, "--format", "json")
    made = json.loads(run.out)
    recording = {
        "files", "frames", "bytes", "starts", "ends", "span_s", "modbus_messages", "repeated_frames",
        "cut_short_frames", "unrecorded_bytes", "undecodable_frames", "vantage",
    }  # fmt: skip
    device = {
        "device", "name", "masters", "regular", "requests", "answered", "unanswered", "open_at_end", "exceptions",
        "functions", "block_sizes", "requests_per_s", "reads_per_s", "busiest_second_reads", "reply_ms",
        "longest_silence_s", "longest_silence_at", "longest_silence_min_s", "longest_silence_max_s",
        "open_silence_start_s", "open_silence_end_s", "watchdog_s", "margin", "spare_polls", "watchdog_due",
        "state", "polls",
    }  # fmt: skip
    finding = {
        "code", "level", "device", "from", "until", "certainty", "cause", "incident", "text", "advice", "evidence",
    }  # fmt: skip
    assert made["schema"] == 1
    assert recording <= made["recording"].keys()
    assert all(device <= d.keys() for d in made["devices"])
    assert all(finding <= f.keys() for f in made["findings"])
    assert made["devices"][0]["state"] == "due"
    assert made["findings"][0]["evidence"][0] == {"file": "samples/link-down.pcap", "frame": 1452}
    assert "NaN" not in run.out


def test_csv_has_a_line_a_device() -> None:
    """One line a device, worst first."""
    run = mbsniff("diagnose", "samples/link-down.pcap", "--site", SITE, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(run.out)))
    assert [row["name"] for row in rows] == ["zone 3", "zone 1", "zone 2", "zone 4", "zone 5", "zone 6"]
    assert rows[0]["findings"] == "watchdog-due no-reply"
    assert rows[1]["longest_silence_s"].startswith("1.0")


def test_markdown_has_the_table_and_the_findings() -> None:
    """The same table as a page."""
    run = mbsniff("diagnose", "samples/link-down.pcap", "--site", SITE, "--format", "markdown")
    assert run.out.startswith("# Diagnosis\n")
    assert "| due" in run.out
    assert "## fault: watchdog-due (certain)" in run.out


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    """A folder with inputs of every wrong kind."""
    (tmp_path / "empty.pcap").write_bytes(b"")
    (tmp_path / "notes.txt").write_text("dear diary, the oven stopped again\n")
    (tmp_path / "folder").mkdir()
    (tmp_path / "letter.gz").write_bytes(gzip.compress(b"no capture either"))
    (tmp_path / "wrong-key.toml").write_text("[defaults]\nwatchdgo_s = 3\n")
    (tmp_path / "negative.toml").write_text("[defaults]\nwatchdog_s = -3\n")
    (tmp_path / "broken.toml").write_text("[defaults\n")
    (tmp_path / "name.pcap").write_bytes(b"")
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["{bad}/empty.pcap"], ["empty.pcap", "empty"]),
        (["{bad}/notes.txt"], ["notes.txt", "pcap"]),
        (["{bad}/folder"], ["folder"]),
        (["{bad}/letter.gz"], ["letter.gz", "pcap"]),
        (["{bad}/missing.pcap"], ["missing.pcap"]),
        (["{bad}/\x1b[31mred.pcap"], ["\\x1b[31mred.pcap"]),
        (
            ["samples/link-down.pcap", "--site", "{bad}/wrong-key.toml"],
            ["line 2", "watchdgo_s", "watchdog_s"],
        ),
        (["samples/link-down.pcap", "--site", "{bad}/negative.toml"], ["line 2", "watchdog_s", "-3"]),
        (["samples/link-down.pcap", "--site", "{bad}/broken.toml"], ["broken.toml", "line 1"]),
        (["samples/link-down.pcap", "--site", "{bad}/missing.toml"], ["missing.toml"]),
        (["samples/link-down.pcap", "--watchdog", "-3"], ["--watchdog", "-3"]),
        (["samples/link-down.pcap", "--watchdog", "soon"], ["--watchdog", "soon"]),
        (["samples/link-down.pcap", "--max-block", "0"], ["--max-block", "0"]),
        (["samples/link-down.pcap", "--max-reads", "nan"], ["--max-reads"]),
        (["samples/link-down.pcap", "--port", "99999"], ["--port", "99999"]),
        (["samples/link-down.pcap", "--format", "pdf"], ["--format", "pdf"]),
        (["samples/link-down.pcap", "--watchdgo", "3s"], ["--watchdgo"]),
        (["samples/link-down.pcap", "samples/link-down.pcap"], ["link-down.pcap", "twice"]),
        ([], ["CAPTURE"]),
    ],
)
def test_bad_input_gets_one_line_and_status_2(bad: Path, arguments: list[str], says: list[str]) -> None:
    """What is wrong, where, and how to mend it: one line on standard error, no traceback, nothing on output."""
    run = mbsniff("diagnose", *(a.replace("{bad}", str(bad)) for a in arguments))
    assert run.status == 2
    assert run.out == ""
    assert len(run.err.splitlines()) == 1, run.err
    assert all(part in run.err for part in says), run.err
    assert "\x1b" not in run.err


def test_a_capture_without_modbus_is_an_ordinary_answer(tmp_path: Path) -> None:
    """No Modbus at all: the page says so, status 0."""
    frame = bytes.fromhex("ffffffffffff00005e00530108060001080006040001") + bytes(20)
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    capture = tmp_path / "arp.pcap"
    capture.write_bytes(header + struct.pack("<IIII", 1_700_000_000, 0, len(frame), len(frame)) + frame)
    run = mbsniff("diagnose", str(capture))
    assert run.status == 0
    assert "no Modbus TCP among them" in " ".join(run.out.split())


def test_a_file_that_ends_inside_a_record_is_read_up_to_there(tmp_path: Path) -> None:
    """What could be read is analysed, and the head says where the rest is missing."""
    whole = (SAMPLES / "link-down.pcap").read_bytes()
    cut = tmp_path / "cut.pcap"
    cut.write_bytes(whole[:-7])
    run = mbsniff("diagnose", str(cut), "--site", SITE)
    assert run.status == 1
    assert "Doubt:" in run.out
    assert "3,056 frames" in run.out


def test_commands_and_version_are_told() -> None:
    """`--help` lists the commands, `--version` the version; an unknown command is one line, status 2."""
    assert "diagnose" in mbsniff("--help").out
    assert mbsniff("--version").out.startswith("mbsniff ")
    run = mbsniff("daignose")
    assert run.status == 2
    assert len(run.err.splitlines()) == 1, run.err


def test_output_to_a_pipe_has_no_colour_and_no_progress() -> None:
    """Nothing but plain text, whatever the environment says of colours."""
    run = mbsniff("diagnose", "samples/link-down.pcap", "--site", SITE, FORCE_COLOR="1", TERM="xterm")
    assert "\x1b" not in run.out + run.err
    assert "\r" not in run.out + run.err


def test_recordings_of_two_recorders_from_folders(tmp_path: Path) -> None:
    """Two folders, one recorder's clock off: aligned, and the head says so; what is no capture is named."""
    for folder, off_ns in (("plc", 0), ("device", -7_300_000_000)):
        (tmp_path / folder).mkdir()
        records = [(t + off_ns, *rest) for t, *rest in records_of(SAMPLES / "link-down.pcap")]
        for number, at in enumerate(range(0, len(records), 900)):
            written(tmp_path / folder, records[at : at + 900], f"part{number}.pcap")
    (tmp_path / "device" / "notes.txt").write_text("at the cabinet's switch")
    run = mbsniff("diagnose", str(tmp_path / "plc"), str(tmp_path / "device"), "--site", SITE)
    said = " ".join(run.out.split())
    assert run.status == 1
    assert "part0.pcap and 3 further files: times shifted by +7.3 s, as" in said
    assert "1 file skipped, for not being captures" in said and "notes.txt: it is no capture" in said
    assert "frames recorded twice; the copies were dropped" in said
    assert sum(line.startswith("due") for line in run.out.splitlines()) == 1
    piped = mbsniff("diagnose", str(tmp_path / "*" / "part*"), "--site", SITE, "--format", "json")
    recording = json.loads(piped.out)["recording"]
    assert [(clock["basis"], clock["shift_s"]) for clock in recording["clocks"]] in (
        [("frames", 7.3)],
        [("frames", -7.3)],
    )


def test_clock_offset() -> None:
    """A stated offset moves all times and is told; a wrong one is refused in one line, with status 2."""
    run = mbsniff(
        "diagnose", "samples/link-down.pcap", "--clock-offset", "samples/link-down.pcap=-1h", "--site", SITE
    )
    assert run.status == 1
    assert "Recorded: 2026-11-25 10:45:37 UTC" in run.out
    assert "times shifted by −3,600 s, as stated" in " ".join(run.out.split())
    for stated, said in (
        ("1s", "names no capture"),
        ("other.pcap=1s", "it is not among the captures"),
        ("samples/link-down.pcap=soon", "cannot be read as a duration"),
        ("samples/link-down.pcap=+-1s", "cannot be read as a duration"),
    ):
        run = mbsniff("diagnose", "samples/link-down.pcap", "--clock-offset", stated)
        assert (run.status, run.out, run.err.count("\n")) == (2, "", 1)
        assert said in run.err


def test_an_empty_folder(tmp_path: Path) -> None:
    """One line that says what is wrong, and status 2."""
    run = mbsniff("diagnose", str(tmp_path))
    assert (run.status, run.out, run.err.count("\n")) == (2, "", 1)
    assert "there is no file in this folder" in run.err
