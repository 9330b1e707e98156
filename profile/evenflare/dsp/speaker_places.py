"""Where the ways of a loudspeaker's file stand, and how far up those in a cabinet are asked for."""

from __future__ import annotations

import numpy as np

from evenflare.dsp import boxed
from evenflare.dsp.crossover import Crossing, needed_band
from evenflare.dsp.crossover_search import Range
from evenflare.dsp.placing import Place
from evenflare.dsp.speaker_tables import LowerTable, WaveguideTable
from evenflare.exterior.pistons import Piston
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import AnyCabinet


def aside(way: LowerTable, cabinet: AnyCabinet) -> list[tuple[float, float]]:
    """(x, y) in m of each of its drivers from the middle of its face."""
    x = way.x_mm * MILLIMETRE if way.x_mm is not None else cabinet.x if way.face == "front" else 0.0
    down = way.y_mm is None
    return [(x, cabinet.y - each * MILLIMETRE if down else each * MILLIMETRE) for each in way.places]


def positions_of(way: WaveguideTable | LowerTable, cabinet: AnyCabinet | None, axis: float) -> tuple[Place, ...]:
    """Of drivers in the front's plane, re the point of the front from which all is heard; `axis` m below the mouth."""
    forward = way.forward_mm * MILLIMETRE
    if isinstance(way, WaveguideTable):
        return ((0.0, axis, forward),)
    if cabinet is None:
        return tuple((0.0, axis - each * MILLIMETRE, forward) for each in way.places)
    return tuple((x - cabinet.x, y - cabinet.y + axis, forward) for x, y in aside(way, cabinet))


def top_of(way: LowerTable, corner: Range | None, pistons: list[Piston], frequency: FloatArray, speed: float) -> float:
    """Hz, up to which a way in the cabinet is solved: as far as it is heard, or its index asked for, and as it can."""
    highest = boxed.NARROW * speed / (2.0 * np.pi * pistons[0].radius) if corner is None else corner[1]
    wanted = max(needed_band(Crossing(each, highest), None)[1] for each in way.crossover.slopes())
    # To the next frequency of the grid, so that all is known up to there.
    rounded = frequency[min(int(np.searchsorted(frequency, wanted * (1 - 1e-9))), frequency.size - 1)]
    return min(float(rounded), boxed.highest(pistons, speed_of_sound=speed))
