"""Message rows in, transactions, polls and link events out; `read_exchange` begins at the Recording."""

from mbsniff.exchange.again import Look, reply_pdus, segments_again, well_answered
from mbsniff.exchange.read import RecordingFacts, read_exchange
from mbsniff.exchange.result import Exchange, Pair, PollKey, Translation
from mbsniff.wire.ports import PortSearch

__all__ = [
    "Exchange",
    "Look",
    "Pair",
    "PollKey",
    "PortSearch",
    "RecordingFacts",
    "Translation",
    "read_exchange",
    "reply_pdus",
    "segments_again",
    "well_answered",
]
