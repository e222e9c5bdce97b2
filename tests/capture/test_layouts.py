"""Any layout of frames and any block size: the same rows, compiled and uncompiled, and no way out but one."""

from __future__ import annotations

import gzip
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mbsniff.errors import CaptureError
from tests.capture.craft import (
    MICROSECONDS,
    NANOSECONDS,
    START_S,
    Reading,
    block,
    enhanced,
    obsolete,
    option,
    pcap_header,
    read_bytes,
    record,
    section,
    simple,
    statistics,
    timed_interface,
)

ORDERS = st.sampled_from("<>")
DATA = st.binary(max_size=70)
WORD = st.integers(0, 2**32 - 1)
SIZES = st.fixed_dictionaries(
    {"block_bytes": st.integers(1, 200) | st.integers(4000, 9000), "batch_rows": st.integers(1, 7)}
)


@st.composite
def pcap_files(draw: st.DrawFn) -> bytes:
    """A pcap file of either byte order."""
    order = draw(ORDERS)
    header = pcap_header(order, draw(st.sampled_from([MICROSECONDS, NANOSECONDS])), draw(WORD))
    records = st.builds(record, DATA, WORD, WORD, st.none() | WORD, st.just(order))
    return header + b"".join(draw(st.lists(records, max_size=30)))


@st.composite
def sections(draw: st.DrawFn) -> bytes:
    """A pcapng section with blocks of all kinds."""
    order = draw(ORDERS)
    index, ticks = st.integers(0, 3), st.integers(0, 2**64 - 1) | st.just(START_S * 10**6)
    options = st.builds(option, st.integers(0, 9), st.binary(max_size=9), st.just(order))
    some_options = st.lists(options, max_size=3).map(b"".join)
    fixed = {"order": st.just(order)}
    blocks = st.one_of(
        st.builds(
            timed_interface,
            st.integers(0, 255),
            st.integers(-(2**63), 2**63 - 1),
            st.integers(0, 2**16 - 1),
            **fixed,
        ),
        st.builds(enhanced, DATA, ticks, index, st.none() | WORD, some_options, **fixed),
        st.builds(simple, DATA, st.none() | WORD, **fixed),
        st.builds(obsolete, DATA, ticks, index, st.integers(0, 2**16 - 1), **fixed),
        st.builds(statistics, index, some_options, **fixed),
        st.builds(block, st.sampled_from([0, 4, 0x0A, 0x0BAD, 0x80000000]), st.binary(max_size=300), **fixed),
    )
    return section(order) + b"".join(draw(st.lists(blocks, max_size=20)))


PCAPNG_FILES = st.lists(sections(), min_size=1, max_size=3).map(b"".join)
FILES = pcap_files() | PCAPNG_FILES


@st.composite
def damaged_files(draw: st.DrawFn) -> bytes:
    """A capture with some bytes changed, taken out or put in, which may be cut off as well."""
    content = bytearray(draw(FILES))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(content)))
        taken = draw(st.integers(0, 5))
        content[at : at + taken] = draw(st.binary(max_size=5) | st.sampled_from([b"\xff" * 4, bytes(4)]))
    return bytes(content)


def outcome(folder: Path, content: bytes, compiled: bool, **sizes: int) -> Reading | str:
    """What reading gave, or the one error that it may raise."""
    try:
        return read_bytes(folder, content, compiled, **sizes)
    except CaptureError as error:
        return str(error)


@pytest.fixture(scope="module", autouse=True)
def compiled_before() -> None:
    """Compile outside of the properties."""
    with TemporaryDirectory() as folder:
        for content in (pcap_header() + record(b"x") * 2, section() + simple(b"x") * 2):
            read_bytes(Path(folder), content, True)


@settings(max_examples=120, deadline=None)
@given(FILES, SIZES)
def test_any_block_size(content: bytes, sizes: dict[str, int]) -> None:
    """Where blocks and batches end changes nothing, and compiled loops give what plain ones give."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        whole = read_bytes(folder, content)
        assert not whole.counters[0].notes or content[:4] == section()[:4]
        assert read_bytes(folder, content, True) == whole
        assert read_bytes(folder, content, False, **sizes) == whole
        assert read_bytes(folder, content, True, **sizes) == whole
        packed = read_bytes(folder, gzip.compress(content, 1), True, **sizes)
        assert packed.frames == whole.frames


@settings(max_examples=250, deadline=None)
@given(damaged_files(), SIZES)
def test_damaged(content: bytes, sizes: dict[str, int]) -> None:
    """Damage leads to a note or a CaptureError and nothing else; all ways of reading agree on it."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        whole = outcome(folder, content, False)
        assert outcome(folder, content, True) == whole
        assert outcome(folder, content, False, **sizes) == whole
        assert outcome(folder, content, True, **sizes) == whole


@settings(max_examples=100, deadline=None)
@given(st.sampled_from([pcap_header(), pcap_header(">"), section(), section(">")]), st.binary(max_size=400))
def test_arbitrary_bytes(header: bytes, content: bytes) -> None:
    """Arbitrary bytes after a sound header are read to some end, the same compiled and uncompiled."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        assert outcome(folder, header + content, True) == outcome(folder, header + content, False)


SAMPLES = {
    "pcap": pcap_header() + record(b"abc") + record(b"") + record(b"abcdefg", START_S + 1),
    "pcapng": section()
    + timed_interface(6)
    + enhanced(b"abc", START_S * 10**6, options=option(4, bytes(8)) + option(0, b""))
    + simple(b"abcde")
    + statistics(0, option(5, bytes(8)))
    + block(0x0A, b"secret")
    + section(">")
    + timed_interface(9, order=">")
    + obsolete(b"ab", START_S * 10**9, order=">"),
}


@pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])
@pytest.mark.parametrize("content", SAMPLES.values(), ids=SAMPLES.keys())
def test_cut_at_every_byte(tmp_path: Path, content: bytes, compiled: bool) -> None:
    """A file cut anywhere gives the frames before the cut; a cut within a frame or block is noted."""
    whole = read_bytes(tmp_path, content, compiled)
    assert whole.counters[0].notes == []
    most = 0
    for size in range(len(content)):
        cut = outcome(tmp_path, content[:size], compiled)
        if isinstance(cut, str):
            assert most == 0
            assert "it ends within its f" in cut or "begins with" in cut or "it is empty" in cut
            continue
        assert cut.frames == whole.frames[: len(cut.frames)]
        assert most <= len(cut.frames) <= most + 1
        most = len(cut.frames)
        assert len(cut.counters[0].notes) <= 1
        for note in cut.counters[0].notes:
            assert note.startswith("ends in the middle of ") and note.endswith("; read up to there")
    assert most == len(whole.frames) - 1
