"""Dips that one direction has and the others have not: interference, which no filter can fill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks

from evenflare.directivity.types import Directivity
from evenflare.units import FloatArray, amplitude_db, power_db, read_only

PER_OCTAVE = 24
"""Points per octave of the grids on which curves are compared and filters fitted."""
REACH = 0.75
"""Octaves to either side of a dip in which its shoulders are sought: a wider one is a trend of the index."""
DEEPEST = -120.0
"""dB, below which a null is as deep as any."""


@dataclass(frozen=True)
class Dip:
    """A dip in the aim that the mean over the other directions lacks.

    frequency    : Hz of its deepest point.
    low, high    : Hz of its shoulders.
    depth        : dB, of the aim below the line between the shoulders, less
    shared       : dB, the depth of the mean over all directions, which is corrected as anything else.
    by_direction : (P, A) dB, depth of each direction below its own line between the same shoulders.
    """

    frequency: float
    low: float
    high: float
    depth: float
    shared: float
    by_direction: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_direction", read_only(self.by_direction))

    @property
    def lacking(self) -> FloatArray:
        """(P, A) 1 for a direction that has less than half of the dip, beyond what all share; else 0."""
        return np.asarray(self.by_direction - self.shared < 0.5 * self.depth, dtype=np.float64)


def grid(low: float, high: float) -> FloatArray:
    """Hz from `low` to `high`, evenly on a logarithmic axis, `PER_OCTAVE` to the octave and at least eight."""
    return np.geomspace(low, high, max(8, 1 + int(np.ceil(PER_OCTAVE * np.log2(high / low)))))


def levels_on(directivity: Directivity, frequency: FloatArray) -> FloatArray:
    """(G, P, A) dB of every direction at `frequency` (G,) Hz: straight in dB over log frequency, above a floor."""
    floor = 10.0 ** (DEEPEST / 20.0) * np.max(np.abs(directivity.pressure), initial=1e-300)
    level = amplitude_db(np.maximum(np.abs(directivity.pressure), floor))
    return interpolated(directivity.observation.frequency, level, frequency)


def interpolated(known: FloatArray, values: FloatArray, frequency: FloatArray) -> FloatArray:
    """Values (F, ...) at `known` (F,) Hz, straight over log frequency, held beyond the ends; (G, ...)."""
    flat = values.reshape(known.size, -1)
    x, at = np.log(known), np.log(frequency)
    found = np.stack([np.interp(at, x, column) for column in flat.T], axis=-1)
    return np.asarray(found.reshape(frequency.size, *values.shape[1:]))


def around(levels: FloatArray, directivity: Directivity) -> FloatArray:
    """(G,) dB, mean square of levels (G, P, A) over the observed directions, each counted by the sine of its angle.

    So the axis itself does not count. What lies behind a baffle is left out. ValueError if only the axis was observed.
    """
    weight = np.abs(np.sin(directivity.observation.off_axis)) * ~directivity.behind
    if not weight.any():
        raise ValueError("only the axis was observed: what other directions lack cannot be told. Observe more angles")
    square = 10.0 ** (0.1 * levels)
    return power_db(np.einsum("gpa,a->g", square, weight) / (levels.shape[1] * weight.sum()))


def dips(
    frequency: FloatArray, aim: FloatArray, *, others: FloatArray, levels: FloatArray, least: float
) -> tuple[tuple[Dip, ...], FloatArray]:
    """Where a level falls and the mean over the other directions does not; and by how much, over frequency.

    frequency : (G,) Hz, evenly on a logarithmic axis, as `grid`.
    aim       : (G,) dB, on axis or a listening window.
    others    : (G,) dB, mean over the other directions, as `around`.
    levels    : (G, P, A) dB of every direction.
    least     : dB, depth from which a dip counts; on both sides the level must rise by as much.
    Returns the dips by frequency, and (G,) dB <= 0 what they take from `aim`: 0 where there is none. A dip in all
    directions is none, since it stands in both levels. At the ends of the band a dip with one shoulder only is not
    seen. Source: common practice; the index of a source without interference has no local minimum.
    """
    index = aim - others
    reach = max(2, round(REACH * (frequency.size - 1) / np.log2(frequency[-1] / frequency[0])))
    places, _ = find_peaks(-index, prominence=least, wlen=2 * reach + 1)
    found, taken = [], np.zeros(frequency.size)
    for at in places:
        first, last = _shoulders(index, int(at), reach)
        span = slice(first, last + 1)
        below = index[span] - np.linspace(index[first], index[last], last - first + 1)
        depth = -float(below[at - first])
        if depth < least:
            continue
        taken[span] = np.minimum(taken[span], np.minimum(below, 0.0))

        def under(level: FloatArray, place: int = int(at), low: int = first, high: int = last) -> FloatArray:
            share = (place - low) / (high - low)
            return np.asarray((1.0 - share) * level[low] + share * level[high] - level[place])

        low, middle, high = (float(frequency[each]) for each in (first, at, last))
        found.append(Dip(middle, low, high, depth, float(under(others)), under(levels)))
    return tuple(found), taken


def _shoulders(index: FloatArray, at: int, reach: int) -> tuple[int, int]:
    """The two places, at most `reach` from `at`, whose connecting line passes highest above it; the nearest of equals.

    No point between them lies above that line: it is an edge of the upper hull.
    """
    left = np.arange(at - 1, max(at - reach, 0) - 1, -1)[:, None]
    right = np.arange(at + 1, min(at + reach, index.size - 1) + 1)[None, :]
    line = index[left] + (index[right] - index[left]) * (at - left) / (right - left)
    best = np.argmax(line - 1e-9 * (right - left))
    row, column = np.unravel_index(best, line.shape)
    return int(left[row, 0]), int(right[0, column])
