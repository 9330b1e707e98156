"""What of a target can be pulled: the points of its wanted curves; and what is said of them at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from evenflare.target.consistent import contradictions
from evenflare.target.reach import largest_reachable, reachability
from evenflare.target.target import Target
from evenflare.workbench.knobs import Knob

CURVES = {
    "index_db": ("index", "dB", -5.0, 40.0),
    "tolerance_db": ("index tolerance", "dB", 0.01, 20.0),
    "beamwidth_deg": ("beamwidth", "°", 5.0, 360.0),
    "beamwidth_horizontal_deg": ("horizontal beamwidth", "°", 5.0, 360.0),
    "beamwidth_vertical_deg": ("vertical beamwidth", "°", 5.0, 360.0),
}
"""Lists of [wanted]: what each is, its unit, and within which bounds it can be pulled."""
POINTS = 60
"""Frequencies at which the reach of the largest mouth is drawn."""


def points(tables: Mapping[str, Any]) -> list[Knob]:
    """Every number of the wanted curves, in order of curve and frequency."""
    wanted = tables.get("wanted", {})
    frequency = wanted.get("frequency_hz", [])
    return [
        Knob(("wanted", key, index), f"{label} at {frequency[index]:g} Hz", unit, float(value), low, high)
        for key, (label, unit, low, high) in CURVES.items()
        if isinstance(wanted.get(key), list)
        for index, value in enumerate(wanted[key])
        if index < len(frequency)
    ]


def remarks(target: Target) -> list[str]:
    """In what a target contradicts itself or asks for more than its mouths give. InputError where that is refused."""
    return [*contradictions(target), *reachability(target)]


def reach(target: Target) -> dict[str, list[float]]:
    """The index (dB) of the largest mouth that the target allows, over the band that it wants and an octave about."""
    frequency = np.geomspace(target.frequency[0] / 2.0, min(target.frequency[-1] * 2.0, 20e3), POINTS)
    index = largest_reachable(target, frequency)
    return {
        "frequency": [round(float(each), 3) for each in frequency],
        "index": [round(float(each), 4) for each in index],
    }
