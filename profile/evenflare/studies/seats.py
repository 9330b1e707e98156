"""What matters of a design in a room: the levels that a listener judges by, their slope and ripple."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.room.response import RoomResponse
from evenflare.units import BoolArray, FloatArray

MATTERS = ("direct", "first_reflections", "sound_power")


@dataclass(frozen=True)
class DesignInRoom:
    """A design in a room.

    name, design_id, path : of its directivity.
    filters               : the file of its equaliser, or empty.
    band                  : Hz, where that equaliser is fitted, else what is counted.
    """

    name: str
    design_id: str
    path: str
    filters: str
    band: tuple[float, float]
    response: RoomResponse


def matters(response: RoomResponse, *, filtered: bool) -> dict[str, FloatArray]:
    """Levels (B,) dB in thirds of what a listener judges by, in the order of MATTERS, with or without the filter."""
    of = response if filtered else response.unfiltered
    return dict(zip(MATTERS, (of.direct, of.first, of.power), strict=True))


def thirds_in(frequency: FloatArray, band: tuple[float, float]) -> BoolArray:
    """(B,) True for the thirds of an octave whose middle lies in a band (Hz), nominal ends included."""
    return np.asarray((frequency >= band[0] * 0.94) & (frequency <= band[1] * 1.06))


def trend(frequency: FloatArray, level: FloatArray, band: tuple[float, float]) -> tuple[float, float]:
    """Slope in dB per octave, and rms deviation in dB from it, of a level (B,) inside a band."""
    inside = thirds_in(frequency, band)
    octaves = np.log2(frequency[inside])
    slope, start = np.polyfit(octaves, level[inside], 1)
    return float(slope), float(np.sqrt(np.mean((level[inside] - start - slope * octaves) ** 2)))


def shared_band(designs: Sequence[DesignInRoom]) -> tuple[float, float]:
    """Hz, where all are counted and all equalisers are fitted; the first's own if that is less than an octave."""
    low, high = max(each.band[0] for each in designs), min(each.band[1] for each in designs)
    return (low, high) if high >= 2.0 * low else designs[0].band
