"""Planes, directions and cells by the names that tables and pages give them."""

from __future__ import annotations

from evenflare import metrics
from evenflare.directivity.types import Observation
from evenflare.units import DEGREE
from evenflare.words import hertz


def plane_name(observation: Observation, azimuth: float) -> str:
    """A plane in a word or two."""
    if observation.plane.size == 1 and observation.symmetry == "round":
        return "every plane"
    for name, at in metrics.PLANES.items():
        if abs(azimuth - at) < metrics.SAME_ANGLE:
            return name
    return f"plane at {azimuth / DEGREE:.4g}°"


def where_words(observation: Observation, frequency: float, azimuth: float, off_axis: float) -> str:
    """A cell's place."""
    return f"{hertz(frequency)}, {direction_words(observation, azimuth, off_axis)}"


def direction_words(observation: Observation, azimuth: float, off_axis: float) -> str:
    """A direction."""
    angle = f"{off_axis / DEGREE:.4g}°".replace("-", "−")
    return f"{plane_name(observation, azimuth)} at {angle}"
