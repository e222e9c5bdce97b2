"""Near misses and a supported timeout in, plain dicts out: parts of a device's JSON (DEVELOPERS.md)."""

from __future__ import annotations

from typing import Any

from mbsniff.diagnose.near_misses import NearMiss, NearMisses
from mbsniff.diagnose.timeouts import SupportedTimeout
from mbsniff.diagnose.wording import moment
from mbsniff.report.rounding import ratio, seconds


def supported_dict(supported: SupportedTimeout) -> dict[str, Any]:
    """The timeout that the observed polling needs, with its parts."""
    return {
        "needed_s": seconds(supported.needed_ns),
        "longest_healthy_silence_s": seconds(supported.healthy_ns),
        "longest_healthy_silence_at": moment(supported.at_ns),
        "master": supported.master,
        "master_timeout_s": seconds(supported.wait_ns),
        "tries": supported.tries,
        "reconnect_s": seconds(supported.reconnect_ns),
        "reserve_s": seconds(supported.reserve_ns),
        "tolerable_s": seconds(supported.tolerable_ns),
        "tolerable": supported.is_tolerable if supported.tolerable_ns is not None else None,
    }


def near_misses_dict(near: NearMisses) -> dict[str, Any]:
    """How often a device came near its timeout, and the worst few."""
    return {
        "silences": near.silences,
        "within_half": near.within_half,
        "within_fifth": near.within_fifth,
        "usual_silence_s": seconds(near.usual_ns),
        "usual": near.is_usual,
        "worst": [_miss(miss) for miss in near.worst],
    }


def _miss(miss: NearMiss) -> dict[str, Any]:
    return {
        "from": moment(miss.silence.from_ns),
        "until": moment(miss.silence.until_ns),
        "silence_s": seconds(miss.silence.length_ns),
        "share": ratio(miss.share),
        "cause": miss.cause.code if miss.cause else None,
        "cause_certainty": miss.cause.certainty if miss.cause else None,
        "silent_master": miss.silent_master,
        "text": miss.cause.text if miss.cause else None,
    }
