"""What a user asks to be told, as plain values; the device and the moment of it are looked for in `subject`."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.errors import MbsniffError


@dataclass(frozen=True)
class Ask:
    """Which story is wanted; without anything that of the worst silence."""

    at: str | None = None
    """A time as an alarm list gives it."""
    device: str | None = None
    """Name in the site file, or address, with or without port and unit."""
    incident: int | None = None
    """Number of the incident, as `diagnose` counts them."""


class AskError(MbsniffError, ValueError):
    """A device, time, incident or zone that is asked for and not there; one line, with what there is."""

    __str__ = MbsniffError.__str__
