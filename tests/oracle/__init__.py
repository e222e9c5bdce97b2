"""Capture files in, figures per device out: a slow second reading that shares no code with mbsniff.

It follows the definitions of the contributor guide, takes all the time and memory it wants, and
decodes IP and TCP with dpkt. What it returns must equal mbsniff's figures exactly.
"""

from tests.oracle.figures import Limit
from tests.oracle.reading import read_captures

__all__ = ["Limit", "read_captures"]
