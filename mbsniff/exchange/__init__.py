"""Message rows in, transactions, polls and link events out; `read_exchange` begins at the Recording."""

from mbsniff.exchange.read import RecordingFacts, read_exchange
from mbsniff.exchange.result import Exchange, Pair, PollKey

__all__ = ["Exchange", "Pair", "PollKey", "RecordingFacts", "read_exchange"]
