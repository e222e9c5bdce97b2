"""A recording's figures → a draft of its site file: what was seen, and what is left for people to fill in."""

from mbsniff.draft.hardware import hardware_addresses
from mbsniff.draft.observed import Observed, observe
from mbsniff.draft.text import draft

__all__ = ["Observed", "draft", "hardware_addresses", "observe"]
