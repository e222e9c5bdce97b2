"""Two diagnoses in, their Comparison out: what changed, and whether that is more than variation."""

from mbsniff.compare.comparison import compare
from mbsniff.compare.result import Comparison, DeviceChange, FindingChange, Row

__all__ = ["Comparison", "DeviceChange", "FindingChange", "Row", "compare"]
