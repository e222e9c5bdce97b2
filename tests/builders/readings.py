"""A capture in, what mbsniff makes of it out, stage by stage; and the oracle's reading to hold it against."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from mbsniff.capture import frames_again, open_recording
from mbsniff.diagnose import diagnose
from mbsniff.exchange import Exchange, RecordingFacts, read_exchange
from mbsniff.measure import Figures, measure
from mbsniff.report.as_json import diagnosis_dict
from mbsniff.site import Site

Named = dict[str, Any]


@dataclass(frozen=True)
class Reading:
    """All stages of one reading."""

    exchange: Exchange
    facts: RecordingFacts
    figures: Figures
    json: Named

    @property
    def devices(self) -> dict[str, Named]:
        """The JSON's devices by key."""
        return {device["device"]: device for device in self.json["devices"]}


def read(
    paths: Sequence[Path] | Path,
    site: Site | None = None,
    *,
    timeout_ns: int | None = None,
    compiled: bool = False,
    ports: Sequence[int] = (502,),
    again: bool = False,
    **sizes: int,
) -> Reading:
    """Read captures; ``sizes`` are the block and batch sizes of `open_recording`, ``again`` allows a second look."""
    site = (site or Site.empty()).with_options(timeout_ns, None, None)
    names = [str(path) for path in ([paths] if isinstance(paths, Path) else paths)]
    with open_recording(names, **sizes) as recording:
        exchange, facts = read_exchange(recording, compiled=compiled, ports=ports)
    figures = measure(exchange, facts, site, compiled=compiled)
    look = functools.partial(frames_again, names) if again else None
    return Reading(exchange, facts, figures, diagnosis_dict(diagnose(exchange, facts, figures, site, look)))


def differences(reading: Reading, oracle: Named) -> list[str]:
    """Every field that the oracle gives and mbsniff tells otherwise."""
    found = [
        f"{key}: {reading.json['recording'].get(key)!r}, oracle {value!r}"
        for key, value in oracle["recording"].items()
        if reading.json["recording"].get(key, KeyError) != value
    ]
    devices = reading.devices
    if devices.keys() != oracle["devices"].keys():
        found.append(f"devices {sorted(devices)}, oracle {sorted(oracle['devices'])}")
    for name in devices.keys() & oracle["devices"].keys():
        found += [
            f"{name} {key}: {devices[name].get(key)!r}, oracle {value!r}"
            for key, value in oracle["devices"][name].items()
            if devices[name].get(key, KeyError) != value
        ]
    return found


def columns(exchange: Exchange) -> Named:
    """All that an exchange holds, arrays as lists."""
    values = {name: getattr(exchange, name) for name in Exchange.__dataclass_fields__}
    return {name: v.tolist() if isinstance(v, np.ndarray) else v for name, v in values.items()}
