"""A silence in, what it is put down to out: a table of evidence against causes, and the verdict from it."""

from mbsniff.diagnose.causes.recording import blank_within
from mbsniff.diagnose.causes.verdict import Cause, cause_of, recording_gap

__all__ = ["Cause", "blank_within", "cause_of", "recording_gap"]
