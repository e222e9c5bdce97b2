"""The facts about a recording in, sentences that say what limits the trust in it out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mbsniff.capture import FileCounters
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.clock_jumps import BLANK_TOLD_NS, Jump
from mbsniff.diagnose.hearing import background_of, one_directions
from mbsniff.diagnose.recorders import clock_doubts
from mbsniff.diagnose.wording import clock, counted, duration, listed
from mbsniff.errors import one_line
from mbsniff.exchange.columns import E_CONNECTION, E_KIND, P_WHO
from mbsniff.exchange.read import LONG_BYTES, STEP_NS
from mbsniff.wire.rows import OPENING, UNRECORDED

SKIPPED_TOLD = 5  # files named; the JSON has them all
CUT_HINT = (
    ": a request needs the first 66 bytes of its frame, 12 more with TCP time stamps, 4 for each VLAN tag; keep whole "
    "frames"
)
STEP_HINT = ": times in between occur twice, so that rates there are not judged, and a silence may hide there"
TRANSLATIONS_TOLD = 5  # the JSON has them all
FLOOD = 1000  # unanswered connection attempts, from which on they are told
SCAN_PAIRS = (
    100  # pairs of a master and an endpoint, all without an answer: more than go missing at once in a plant
)


def doubts(case: Case, jumps: Sequence[Jump] = ()) -> list[str]:
    """What is wrong with the recording, the gravest first; empty where nothing is."""
    return [
        *_lost(case, jumps),
        *_attempts(case),
        *_translated(case),
        *_damaged(case),
        *_times(case),
        *clock_doubts(case.facts.clocks),
        *_notes(case),
        *_skipped(case),
    ]


def _lost(case: Case, jumps: Sequence[Jump]) -> list[str]:
    counters = case.facts.counters
    told = _one_direction(case)
    if counters.unrecorded_bytes:
        times = int(np.count_nonzero(case.exchange.events[:, E_KIND] == UNRECORDED))
        told.append(
            f"TCP shows {counted(counters.unrecorded_bytes, 'byte')} that were sent but are not in the recording, in "
            f"{counted(times, 'place')}: replies lost there count as unknown, not as missing"
        )
    if counters.datagrams:
        told.append(
            f"{counted(counters.datagrams, 'frame')} of Modbus over UDP, which numbers nothing: what the recording "
            "lacks of it cannot be told, and a reply lost there counts as missing"
        )
    told += [text for text in (_recorder_loss(f) for f in case.facts.files) if text]
    told += [_jump(jump) for jump in jumps]
    blanks = case.facts.blanks
    blanks = blanks[~np.isin(blanks[:, 0], [jump.from_ns for jump in jumps])]
    lengths = blanks[:, 1] - blanks[:, 0]
    if len(blanks) and lengths.max() >= BLANK_TOLD_NS:
        worst = int(lengths.argmax())
        told.append(
            f"no frame of any kind for {duration(int(lengths[worst]))} from {clock(int(blanks[worst, 0]))}: "
            f"{_silent_or_stopped(case, int(lengths[worst]))}"
        )
    return told


def _jump(jump: Jump) -> str:
    return (
        f"the recorder's clock jumps ahead by {duration(jump.by_ns)} at {clock(jump.from_ns)}, as the TCP time stamps "
        f"in {counted(jump.flows, 'direction')} of connections show: no silence of the plant"
    )


def _silent_or_stopped(case: Case, blank_ns: int) -> str:
    """What background frames, which come whatever the plant does, say of a stretch without any frame."""
    background = background_of(case)
    if background is None:
        return "a silent plant and a recorder that stopped look alike"
    if background.explains(blank_ns):
        return "not longer than usual between background frames, so the mirror port was alive"
    return (
        f"background frames come every {duration(background.usual_gap_ns)} otherwise, so the recorder or the mirror "
        "port stopped"
    )


def _one_direction(case: Case) -> list[str]:
    """Endpoints of which one side was never heard."""
    told = []
    ways: tuple[tuple[str, str, str], ...] = (
        ("masters", "replies", "whether and when they replied"),
        ("devices", "requests", "what they were asked, and when"),
    )
    for heard, lacking, unknown in ways:
        own = [one.endpoint for one in one_directions(case) if one.heard == heard]
        if own:
            told.append(
                f"one direction only: {lacking} of {listed(own)} are not in the recording, though TCP shows that they "
                f"were sent; nothing is said about {unknown}"
            )
    return told


def _translated(case: Case) -> list[str]:
    """Who was seen on both sides of an address translation, and as what it is counted."""
    return [
        f"{counted(found.connections, 'connection')} seen on both sides of an address translation "
        f"({found.outer.client} to {found.outer.endpoint} is {found.inner.client} to {found.inner.endpoint}): counted "
        f"once, as "
        f"{found.counted_as.client} to {found.counted_as.endpoint}"
        for found in case.exchange.translations[:TRANSLATIONS_TOLD]
    ]


def _attempts(case: Case) -> list[str]:
    """Connection attempts of masters that never got further, where there are more than any plant makes."""
    exchange = case.exchange
    events, of_pair = exchange.events, exchange.connection_pair
    attempts = np.zeros(len(of_pair), np.int64)
    is_syn = events[:, E_KIND] == OPENING
    np.add.at(attempts, events[is_syn, E_CONNECTION], 1)
    attempts[events[~is_syn, E_CONNECTION]] = 0
    asked = np.zeros(len(exchange.pairs), np.bool_)
    asked[exchange.polls[:, P_WHO] >> 16] = True
    attempts[asked[of_pair]] = 0
    if (count := int(attempts.sum())) < FLOOD:
        return []
    pairs = [exchange.pairs[pair] for pair in np.unique(of_pair[attempts > 0]).tolist()]
    masters = counted(len({pair.client for pair in pairs}), "address", "addresses")
    endpoints = counted(len({(pair.server, pair.port) for pair in pairs}), "endpoint")
    why = "a scan or a flood, beside which devices and recorder may have missed what counts"
    if len(pairs) < SCAN_PAIRS:
        why = "nobody is there, or something between drops them"
    return [
        f"{count:,} connection attempts of {masters} to {endpoints} got no answer and carried nothing: {why}"
    ]


def _recorder_loss(file: FileCounters) -> str | None:
    drops = [d for d in (file.epb_dropcount, file.isb_ifdrop, file.isb_osdrop) if d]
    if not drops:
        return None
    return f"{one_line(file.file)}: the recorder itself counted {counted(sum(drops), 'lost frame')}"


def _damaged(case: Case) -> list[str]:
    counters, files = case.facts.counters, case.facts.files
    told = []
    damaged = counters.undecodable_frames - counters.fragments - counters.unknown_link
    cut = sum(f.cut_short_frames for f in files)
    repeated = counters.repeated_frames + case.facts.second_sightings
    if repeated:
        told.append(f"{counted(repeated, 'frame')} recorded twice; the copies were dropped")
    if cut:
        told.append(f"{counted(cut, 'frame')} cut short by the recorder{CUT_HINT if damaged else ''}")
    if counters.fragments:
        told.append(f"{counted(counters.fragments, 'IP fragment')} not put together")
    if counters.unknown_link:
        told.append(f"{counted(counters.unknown_link, 'frame')} of a link type that is not read")
    for what, frames in counters.not_seen_through.items():
        told.append(f"{counted(frames, 'frame')} not decodable: {what}")
    if damaged:
        told.append(
            f"{counted(damaged, 'frame')} with a damaged header or without a message where one should begin "
            f"({counted(counters.skipped_bytes, 'byte')} passed over)"
        )
    return told


def _steps(case: Case) -> str:
    steps = case.facts.steps
    return (
        f"{len(steps):,} of them by {duration(STEP_NS)} or more, up to {duration(case.facts.longest_step_ns)}"
    )


def _times(case: Case) -> list[str]:
    told = []
    if case.facts.backward_steps:
        most = case.facts.longest_step_ns
        told.append(
            f"the clock goes back {counted(case.facts.backward_steps, 'time')} from a frame to the next"
            + (f", {_steps(case)}{STEP_HINT}" if most else "")
        )
    bad = sum(f.bad_times for f in case.facts.files)
    if bad:
        told.append(f"{counted(bad, 'frame')} with an impossible time")
    if case.facts.long_frames:
        told.append(
            f"{counted(case.facts.long_frames, 'frame')} of more than {LONG_BYTES:,} bytes: jumbo frames, or what the "
            "recorder's own network card had not cut yet or put together (offload), with the times of that"
        )
    untimed = sum(f.untimed_frames for f in case.facts.files)
    if untimed:
        told.append(f"{counted(untimed, 'frame')} without a time of their own")
    return told


def _notes(case: Case) -> list[str]:
    return [f"{one_line(f.file)}: {one_line(note)}{_unread(f)}" for f in case.facts.files for note in f.notes]


def _unread(file: FileCounters) -> str:
    """How much of a file lies behind the place where its reading stopped."""
    if not file.unread_bytes or file.stored_bytes is None:
        return ""
    return f" ({file.unread_bytes:,} of its {file.stored_bytes:,} bytes were not used)"


def _skipped(case: Case) -> list[str]:
    skipped = case.facts.skipped
    if not skipped:
        return []
    shown = "; ".join(f"{one_line(s.file)}: {one_line(s.why)}" for s in skipped[:SKIPPED_TOLD])
    more = f"; and {len(skipped) - SKIPPED_TOLD:,} more" if len(skipped) > SKIPPED_TOLD else ""
    return [f"{counted(len(skipped), 'file')} skipped, for not being captures ({shown}{more})"]


VANTAGE = {
    "masters": "near the masters, by {n}: what happens between here and the devices cannot be told apart from the "
    "devices themselves",
    "devices": "near the devices, by {n}: what happens between here and the masters cannot be told apart from the "
    "masters themselves",
    "between": "between masters and devices, by {n}",
    "unknown": "unknown, since no handshake was recorded",
}


def vantage_text(case: Case) -> str:
    """Where the recorder seems to sit, and what that hides."""
    n = counted(case.figures.handshakes, "handshake")
    return VANTAGE[case.figures.vantage].format(n=n)
