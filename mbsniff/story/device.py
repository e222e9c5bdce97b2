"""The name or address of a device in, the device out; else one error that says what there is."""

from __future__ import annotations

import difflib

from mbsniff.diagnose.finding import Diagnosis
from mbsniff.diagnose.wording import listed
from mbsniff.errors import one_line
from mbsniff.measure import DeviceFigures
from mbsniff.story.ask import AskError
from mbsniff.story.names import called

MOST_KNOWN = 8


def device_of(diagnosis: Diagnosis, wanted: str) -> DeviceFigures:
    """The device of that name or address. Raises AskError: unknown, several, or not in the recording."""
    seen = diagnosis.figures.devices
    text = wanted.strip().casefold()
    known = {d.key: _texts(d) for d in seen}
    hits = [d for d in seen if text in known[d.key]]
    shown = one_line(wanted[:60])
    if len(hits) > 1:
        raise AskError(f'"{shown}" is several devices', expected=listed([d.key for d in hits], MOST_KNOWN))
    if hits:
        return hits[0]
    declared = {t.casefold() for d in diagnosis.site.devices for t in (d.name or "", d.address) if t}
    if text in declared:
        raise AskError(f'nothing was sent to "{shown}" in this recording', hint=known_devices(seen))
    near = difflib.get_close_matches(text, sorted({t for own in known.values() for t in own}), 1)
    hint = (
        f"Did you mean {one_line(_as_written(seen, near[0]))}? {known_devices(seen)}"
        if near
        else known_devices(seen)
    )
    raise AskError(f'"{shown}" is no device of this recording', hint=hint)


def _texts(device: DeviceFigures) -> set[str]:
    """Everything that the device may be called by."""
    texts = {device.key, device.key.replace(":502/", "/"), device.address, f"{device.address}:{device.port}"}
    return {text.casefold() for text in (*texts, device.name or "") if text}


def _as_written(seen: list[DeviceFigures], text: str) -> str:
    return next((d.name for d in seen if d.name and d.name.casefold() == text), text)


def known_devices(seen: list[DeviceFigures]) -> str:
    """The devices that there are, as the hint of an error."""
    return f"Devices: {listed([called(d) for d in seen], MOST_KNOWN)}."
