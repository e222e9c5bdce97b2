"""Transactions in, figures per device, endpoint, master and poll out (definitions: DEVELOPERS.md)."""

from mbsniff.measure.figures import (
    DeviceFigures,
    Endpoint,
    Figures,
    PollFigures,
    Quantiles,
    Silence,
    Silences,
)
from mbsniff.measure.measure import measure

__all__ = [
    "DeviceFigures",
    "Endpoint",
    "Figures",
    "PollFigures",
    "Quantiles",
    "Silence",
    "Silences",
    "measure",
]
