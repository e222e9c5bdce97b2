"""Exports: each transaction and event as a row, for other programs."""

from __future__ import annotations

import csv
import io
import json
import tracemalloc
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from mbsniff.capture import open_recording
from mbsniff.exchange import Exchange, RecordingFacts, read_exchange
from mbsniff.exchange.columns import E_KIND, ORPHAN
from mbsniff.report import export_events, export_transactions
from mbsniff.report.export_text import csv_text, jsonl_text
from mbsniff.site import Site, load_site
from mbsniff.wire import rows as w
from tests.builders.adus import adu
from tests.builders.exchanges import told
from tests.builders.packets import ACK, SYN
from tests.builders.plant import BEGINS_NS, DEVICE, MASTER, Plant
from tests.builders.recorder import write

SAMPLES = Path(__file__).parents[2] / "samples"
SITE = load_site(str(SAMPLES / "oven-fed-by-plc.toml"))


def read(path: Path) -> tuple[Exchange, RecordingFacts]:
    with open_recording([str(path)]) as recording:
        return read_exchange(recording, compiled=False)


def transactions(path: Path, site: Site = SITE) -> list[dict[str, Any]]:
    rows = export_transactions.transaction_rows(*read(path), site)
    text = "".join(jsonl_text(export_transactions.FIELDS, rows))
    return [json.loads(line) for line in text.splitlines()]


def events(path: Path, site: Site = SITE) -> list[dict[str, Any]]:
    text = "".join(jsonl_text(export_events.FIELDS, export_events.event_rows(*read(path), site)))
    return [json.loads(line) for line in text.splitlines()]


@pytest.mark.parametrize("name", ["link-down.pcap", "block-edge.pcap", "causes/target-dead.pcap.gz"])
def test_every_transaction(name: str) -> None:
    """Each transaction once, in time order, with what the exchange has of it."""
    exchange, _ = read(SAMPLES / name)
    rows = transactions(SAMPLES / name, Site.empty())
    assert len(rows) == len(exchange.status)
    times = [row["asked"] or row["replied"] for row in rows]
    assert times == sorted(times)
    expected = Counter(
        (one["unit"], one["function"], one["start"], one["quantity"], one["frame"] + 1)
        for one in told(exchange)
        if one["status"] != "orphan"
    )
    found = Counter(
        (r["unit"], r["function"], r["start"], r["quantity"], r["frame"])
        for r in rows
        if r["status"] != "orphan"
    )
    assert found == expected
    for row in rows:
        if row["reply_ms"] is not None:
            asked, replied = (pd.Timestamp(row[key]).value for key in ("asked", "replied"))
            assert row["reply_ms"] == pytest.approx((replied - asked) / 1e6)


def test_names() -> None:
    """Devices and masters go by the names of the site file."""
    rows = transactions(SAMPLES / "link-down.pcap")
    assert {(r["device"], r["address"]) for r in rows if "3" in r["device"]} == {("zone 3", "192.0.2.53")}
    assert {r["master"] for r in rows} == {"oven PLC", "supervisory station"}


# Requests of the worked examples in the MODBUS Application Protocol Specification V1.1b3, sections 6.5 to 6.17.
WRITES = {
    "05 00AC FF00": 1,
    "06 0001 0003": 3,
    "0F 0013 000A 02 CD01": [1, 0, 1, 1, 0, 0, 1, 1, 1, 0],
    "10 0001 0002 04 000A 0102": [10, 258],
    "15 0D 06 0004 0007 0003 06AF 04BE 100D": "0600040007000306AF04BE100D",
    "16 0004 00F2 0025": "00F20025",
    "17 0003 0006 000E 0003 06 00FF 00FF 00FF": [255, 255, 255],
    "03 006B 0003": None,
}


@pytest.mark.parametrize("pdu", WRITES)
def test_written_values(tmp_path: Path, pdu: str) -> None:
    """What is written, in order of address; in hex where it is neither words nor bits."""
    plant = Plant()
    plant.connection().handshake((999, 4999)).ask(adu(1, 1, bytes.fromhex(pdu)))
    (row,) = transactions(write(tmp_path / "one.pcap", plant))
    found = row["written"]
    assert found == WRITES[pdu] or (isinstance(found, str) and found in WRITES[pdu])


def test_what_has_no_reply(tmp_path: Path) -> None:
    """A request without a reply has none of the reply's columns, a reply without a request none of the request's."""
    plant = Plant()
    connection = plant.connection().handshake((999, 4999))
    connection.answer(adu(9, 1, bytes.fromhex("03020007")))
    connection.ask(adu(10, 1, bytes.fromhex("0300000001")), wait=1)
    connection.segment(DEVICE, wait=0.25)
    connection.reset(MASTER, wait=1)
    orphan, lost = transactions(write(tmp_path / "two.pcap", plant))
    assert (orphan["status"], orphan["asked"], orphan["frame"], orphan["reply_ms"]) == (
        "orphan",
        None,
        None,
        None,
    )
    assert (orphan["reply_frame"], orphan["replied"]) == (4, "2026-01-02T03:04:05.012000000Z")
    assert (lost["status"], lost["replied"], lost["reply_frame"], lost["ack_ms"]) == (
        "unanswered",
        None,
        None,
        250.0,
    )
    assert lost["frame"] == 5


def test_events_of_a_connection(tmp_path: Path) -> None:
    """Attempts say what came of them; closed windows, probes and ends are rows with the master's port."""
    plant = Plant()
    first = plant.connection(first=(999, 4999))
    first.segment(MASTER, flags=SYN)
    first.reset(DEVICE, wait=0.001)
    other = plant.connection(("192.0.2.10", 50_000), first=(999, 4999))
    other.segment(MASTER, flags=SYN, wait=1)
    other.segment(MASTER, flags=SYN, seq=999, wait=1)
    other.segment(DEVICE, flags=SYN | ACK, wait=0.002)
    other.segment(MASTER, wait=0.001)
    other.segment(DEVICE, window=0, wait=1)
    other.segment(DEVICE, wait=1)
    rows = events(write(tmp_path / "one.pcap", plant))
    assert [
        (r["event"], r["outcome"], r["master_port"], r["detail"], r["frame"]) for r in rows if r["frame"]
    ] == [
        ("connection-asked", "refused", 49152, None, 1),
        ("connection-reset", None, 49152, None, 2),
        ("connection-asked", "unanswered", 50_000, None, 3),
        ("connection-asked", "accepted", 50_000, "sent again", 4),
        ("connection-accepted", None, 50_000, None, 5),
        ("window-closed", None, 50_000, None, 7),
        ("window-opened", None, 50_000, None, 8),
    ]
    silent = [r for r in rows if r["event"] == "nothing-recorded"]
    assert [(r["amount"], r["unit"]) for r in silent] == [(1.0, "s")] * 4
    assert rows[0]["by_hardware"] == "00-00-5E-00-53-02" and rows[0]["hops"] == 64
    assert pd.Timestamp(rows[0]["at"]).value == BEGINS_NS


EXPECTED = {
    # What samples/causes.toml says was done, and tests/lab shows in the frames.
    "address-conflict": ("address-announced", "address was 00-00-5E-00-53-53's", "00-00-5E-00-53-99"),
    "address-moved": ("address-announced", "address was 192.0.2.53 before", "00-00-5E-00-53-53"),
    "device-link-down": ("lookup-asked", "unanswered", "00-00-5E-00-53-10"),
    "port-closed": ("connection-asked", "refused", "00-00-5E-00-53-10"),
    "trunk-down": ("connection-asked", "unanswered", "00-00-5E-00-53-10"),
}


@pytest.mark.parametrize("name", EXPECTED)
def test_outcomes(name: str) -> None:
    """What came of look-ups, attempts and claims in recordings of one cause each; the healthy ones have none of it."""
    rows = events(SAMPLES / "causes" / f"{name}.pcap.gz")
    assert EXPECTED[name] in {(r["event"], r["outcome"], r["by_hardware"]) for r in rows}
    healthy = events(SAMPLES / "causes" / "healthy-jitter.pcap.gz")
    assert {r["outcome"] for r in healthy} <= {None, "answered", "accepted"}


def test_every_event_once() -> None:
    """Each link event, and each network event that is not the same segment, has a row; in time order."""
    for name in ("address-conflict", "spanning-tree-change", "broadcast-storm"):
        exchange, facts = read(SAMPLES / "causes" / f"{name}.pcap.gz")
        rows = [row for chunk in export_events.event_rows(exchange, facts, SITE) for row in chunk]
        kinds = Counter(row[1] for row in rows)
        for kind, word in export_events.LINKS.items():
            assert kinds[word] == np.count_nonzero(exchange.events[:, E_KIND] == kind)
        lookups = np.count_nonzero(exchange.network[:, 0] == 32)
        assert kinds["lookup-asked"] == lookups and kinds["frames-to-groups"] == len(exchange.broadcasts)
        assert [row[0] for row in rows] == sorted(str(row[0]) for row in rows)
        assert w.WINDOW_OPENED in export_events.LINKS


def test_csv_reads_back() -> None:
    """pandas reads the CSV back as what the JSON lines have; names that look like formulas do not act."""
    exchange, facts = read(SAMPLES / "link-down.pcap")
    site = load_site(str(SAMPLES / "oven.toml"))
    device = next(d for d in site.devices if d.name == "zone 3")
    object.__setattr__(device, "name", "=1+1")
    text = "".join(
        csv_text(export_transactions.FIELDS, export_transactions.transaction_rows(exchange, facts, site))
    )
    frame = pd.read_csv(io.StringIO(text))
    assert len(frame) == len(exchange.status)
    assert int((frame["status"] == "orphan").sum()) == int((exchange.kinds == ORPHAN).sum())
    zone3 = frame[frame["address"] == "192.0.2.53"]
    assert set(zone3["device"]) == {"'=1+1"}
    assert not [
        cell for row in csv.reader(io.StringIO(text)) for cell in row if cell.startswith(("=", "+", "@"))
    ]


def test_memory() -> None:
    """Rows are made piece by piece: a hundred thousand more cost no more at any moment."""
    exchange, facts = read(SAMPLES / "healthy-shift.pcap")
    peaks = []
    for times in (20, 100):
        columns = {
            name: np.tile(getattr(exchange, name), times)
            for name in ("request_ns", "reply_ns", "ack_ns", "poll", "status", "exception", "request_frame",
                         "reply_frame", "value")
        }  # fmt: skip
        many = replace(exchange, **columns)
        tracemalloc.start()
        for piece in csv_text(
            export_transactions.FIELDS, export_transactions.transaction_rows(many, facts, SITE)
        ):
            assert len(piece) < 8 << 20
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 40 * 80 * len(exchange.status)
