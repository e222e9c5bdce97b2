"""Message rows in, transactions, polls and link events out; `read_exchange` begins at the Recording."""

from mbsniff.exchange.again import Look, reply_pdus, segments_again, well_answered
from mbsniff.exchange.read import RecordingFacts, read_exchange
from mbsniff.exchange.result import Exchange, Pair, PollKey, Translation

__all__ = [
    "Exchange",
    "Look",
    "Pair",
    "PollKey",
    "RecordingFacts",
    "Translation",
    "read_exchange",
    "reply_pdus",
    "segments_again",
    "well_answered",
]
