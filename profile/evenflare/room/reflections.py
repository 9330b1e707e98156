"""The first reflections of each seat: what comes when, how loud in which octave, from which side of the listener."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.room.arrivals import Arrivals, arrivals
from evenflare.room.evenness import Balance
from evenflare.room.room import Point, Room
from evenflare.room.windows import octave_mean
from evenflare.units import FloatArray, power_db, read_only

WITHIN = 0.020
"""s after the direct sound, up to which reflections are listed one by one,"""
LEAST_LISTED, MOST_LISTED = 6, 24
"""but so many at least, as many as there are surfaces, and so many at most."""
OCTAVES = (500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Hz, in which their levels are told."""


@dataclass(frozen=True)
class SeatReflections:
    """The first that a seat hears, the direct sound first.

    arrivals  : I of them, in thirds of an octave.
    after     : (I,) s after the direct sound.
    level     : (I,) dB re the direct sound, mean of the ratio of powers over what counts; see `evenness.Balance`.
    octaves   : (I, O) dB re the direct sound, in OCTAVES; nan where they were not observed.
    azimuth   : (I,) rad, of where it comes from as a listener sees it who faces the source: right positive.
    elevation : (I,) rad, up positive.
    """

    arrivals: Arrivals
    after: FloatArray
    level: FloatArray
    octaves: FloatArray
    azimuth: FloatArray
    elevation: FloatArray

    def __post_init__(self) -> None:
        for name in ("after", "level", "octaves", "azimuth", "elevation"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))


def seat_reflections(room: Room, point: Point, directivity: Directivity, *, within: Balance) -> SeatReflections:
    """What reaches a point (m) first, its levels over the thirds of a balance and by their weights."""
    found = arrivals(room, point, directivity, frequency=within.thirds)
    after = found.delay - found.delay[0]
    listed = 1 + min(max(int(np.count_nonzero(after[1:] <= WITHIN)), LEAST_LISTED), MOST_LISTED)
    chosen = {each.name: getattr(found, each.name)[:listed] for each in fields(Arrivals) if each.name != "frequency"}
    found = replace(found, **chosen)
    square = np.abs(found.pressure) ** 2
    ratio = square / np.maximum(square[0], 1e-300)
    weight = within.weight / max(within.weight.sum(), 1e-300)
    level, thirds = power_db(ratio @ weight), power_db(ratio)
    azimuth, elevation = heard_from(found.arriving)
    octaves = np.stack([octave_mean(found.frequency, thirds, octave) for octave in OCTAVES], axis=1)
    return SeatReflections(found, after[:listed], level, octaves, azimuth, elevation)


def heard_from(arriving: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Azimuth and elevation (I,) rad of unit vectors (I, 3) to where sound comes from, for a listener who faces the
    first of them: right and up are positive. Straight above or below it, the listener faces along x.
    """
    ahead = arriving[0, :2]
    far = float(np.hypot(*ahead))
    forward, aside = ahead / far if far > 1e-9 else np.array([1.0, 0.0])
    x, y, z = arriving.T
    azimuth = np.arctan2(aside * x - forward * y, forward * x + aside * y)
    return azimuth, np.arcsin(np.clip(z, -1.0, 1.0))
