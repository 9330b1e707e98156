"""Points of a scan gathered in cells of the wall: what is estimated stands on their means, and stray points are told
from their neighbours.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from evenflare.inspection.feet import DrawnFeet, Feet
from evenflare.units import BoolArray, FloatArray, IntArray

KINDS = ("x", "y", "z", "turn_x", "turn_y", "turn_z", "scale", "offset", "bow", "oval", "oval_aside", "step")
"""What a wall's departure is made of: the pose's error (m, rad about the throat's centre), and the kinds of error."""
STRAY = 5.0
"""Standard deviations from its cell's median beyond which a point is none of the wall."""
_ENOUGH = 8
"""Points of a cell from which its own noise is taken."""
_MEDIAN = 1.4826
"""A normal law's standard deviation over its median absolute deviation."""


def columns(feet: Feet, drawn: DrawnFeet) -> list[FloatArray]:
    """(N,) each: how far off a point lies for one unit of each of KINDS. Linear: of small departures."""
    p, n = feet.places, feet.normals
    turned = np.cross(p, n)
    if drawn.is_round:
        turned[:, 2] = 0.0
    return [
        *n.T,
        *turned.T,
        np.einsum("ij,ij->i", p, n),
        np.ones(len(p)),
        np.sin(np.pi * np.clip(p[:, 2] / drawn.depth, 0.0, 1.0)),
        np.cos(2.0 * feet.azimuth),
        np.sin(2.0 * feet.azimuth),
        drawn.step_at(feet.share, feet.azimuth),
    ]


class Cells(NamedTuple):
    """Means over the points of C cells.

    counts  : (C,) points.
    off     : (C,) m.
    columns : (C, K), see KINDS.
    places  : (C, 3) m, on the drawn wall.
    share   : (C,)
    azimuth : (C,) rad.
    side    : m, of a cell; 0 where every point is its own.
    spread  : (C, 3, 3) m2, second moments of a cell's points about their mean, and
    along   : (C,) of their shares.
    noise   : m, standard deviation of one point about its cell's own plane; nan where cells hold too few points.
    """

    counts: FloatArray
    off: FloatArray
    columns: FloatArray
    places: FloatArray
    share: FloatArray
    azimuth: FloatArray
    side: float
    spread: FloatArray
    along: FloatArray
    noise: float


@dataclass(frozen=True)
class Sorted:
    """Points by cell: the index (N,) of each one's, the number of cells, and a cell's side in m."""

    index: IntArray
    count: int
    side: float


def sorted_in(places: FloatArray, *, most: int) -> Sorted:
    """Places (N, 3) m in cubes, at most so many: their side is found by halving."""
    if len(places) <= most:
        return Sorted(np.arange(len(places)), len(places), 0.0)
    some = places[:: max(1, len(places) // 20_000)]
    low, high = 1e-4, float(np.ptp(places, axis=0).max()) + 1e-4
    for _ in range(24):
        side = np.sqrt(low * high)
        low, high = (low, side) if len(np.unique(_keys(some, side))) <= most else (side, high)
    found, index = np.unique(_keys(places, high), return_inverse=True)
    return Sorted(index, len(found), high)


def _keys(places: FloatArray, side: float) -> IntArray:
    # Off the planes of symmetry, where rounding would part the points of one place.
    whole = np.floor(places / side + 0.37).astype(np.int64)
    whole -= whole.min(axis=0)
    spans = whole.max(axis=0) + 1
    return np.asarray((whole[:, 0] * spans[1] + whole[:, 1]) * spans[2] + whole[:, 2])


def strays(off: FloatArray, places: FloatArray, cells: Sorted) -> BoolArray:
    """(N,) which points lie too far from the plane through their cell's others, or in a cell with hardly any."""
    if cells.side == 0.0:
        return np.zeros(len(off), dtype=bool)
    number = np.bincount(cells.index, minlength=cells.count)
    left = off.copy()
    out = np.zeros(len(off), dtype=bool)
    for _ in range(2):
        middle = _medians(left, cells)
        left = left - middle[cells.index]
        wide = _MEDIAN * _medians(np.abs(left), cells)
        spread = max(float(np.median(wide[number >= _ENOUGH])) if np.any(number >= _ENOUGH) else np.inf, 1e-9)
        # A cell's own spread counts where the wall is steep in it, but no more than is common.
        out = np.abs(left) > STRAY * np.clip(wide, spread, 3.0 * spread)[cells.index]
        if out.all():
            return out
        slope = _slopes(np.where(out, 0.0, left), np.where(out, 0.0, 1.0), places, cells)
        left = left - slope
    kept = np.bincount(cells.index, weights=~out, minlength=cells.count)
    # As the cell of a common point is filled, not as the common cell: strays about the wall fill many, with one each.
    lonely = (kept < 0.15 * np.median(kept[cells.index[~out]])) | (kept < 0.5 * number)
    return out | lonely[cells.index]


def _medians(values: FloatArray, cells: Sorted) -> FloatArray:
    order = np.lexsort((values, cells.index))
    number = np.bincount(cells.index, minlength=cells.count)
    first = np.cumsum(number) - number
    ordered = values[order]
    return np.asarray(0.5 * (ordered[first + (number - 1) // 2] + ordered[first + number // 2]))


def _slopes(values: FloatArray, weights: FloatArray, places: FloatArray, cells: Sorted) -> FloatArray:
    """(N,): the plane through each cell's values, at its points."""
    total = np.maximum(np.bincount(cells.index, weights=weights, minlength=cells.count), 1e-12)
    aside = places / cells.side
    aside = aside - np.column_stack(
        [(np.bincount(cells.index, weights=weights * a, minlength=cells.count) / total)[cells.index] for a in aside.T]
    )
    terms = [np.ones(len(values)), *aside.T]
    normal = np.empty((cells.count, 4, 4))
    right = np.empty((cells.count, 4))
    for i, one in enumerate(terms):
        right[:, i] = np.bincount(cells.index, weights=weights * one * values, minlength=cells.count)
        for j in range(i, 4):
            moment = np.bincount(cells.index, weights=weights * one * terms[j], minlength=cells.count)
            normal[:, i, j] = normal[:, j, i] = moment
    # A flat cell has no breadth across itself: what the least eigenvalue would ask for is left out.
    fitted = np.einsum("cij,cj->ci", np.linalg.pinv(normal, rcond=1e-3, hermitian=True), right)
    return np.asarray(sum(fitted[cells.index, i] * one for i, one in enumerate(terms)))


def cells_of(feet: Feet, off: FloatArray, drawn: DrawnFeet, *, most: int, beyond: FloatArray | None = None) -> Cells:
    """The means of points that are of the wall. beyond : (N, B), columns that come after KINDS."""
    cells = sorted_in(feet.places, most=most)
    number = np.bincount(cells.index, minlength=cells.count).astype(np.float64)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cells.index, weights=values, minlength=cells.count) / number)

    own = np.column_stack([*columns(feet, drawn), *([] if beyond is None else beyond.T)])
    every = np.column_stack([mean(each) for each in own.T])
    places = np.column_stack([mean(each) for each in feet.places.T])
    share = mean(feet.share)
    aside = feet.places - places[cells.index]
    spread = np.empty((cells.count, 3, 3))
    for i, j in itertools.combinations_with_replacement(range(3), 2):
        spread[:, i, j] = spread[:, j, i] = mean(aside[:, i] * aside[:, j])
    along = mean((feet.share - share[cells.index]) ** 2)
    middle = mean(off)
    noise, full = np.nan, number >= _ENOUGH
    if cells.side > 0.0 and np.count_nonzero(full) * 2 > cells.count:
        # An oval of half a millimetre bends across a cell: taken for noise, it would hide waves of its size.
        fitted = np.linalg.lstsq(every, middle, rcond=1e-8)[0]
        left = off - middle[cells.index] - (own - every[cells.index]) @ fitted
        left = left - _slopes(left, np.ones(len(left)), feet.places, cells)
        among = full[cells.index]
        # A plane over a patch of wall has three values of its own.
        noise = float(np.sqrt(np.sum(left[among] ** 2) / np.sum(number[full] - 3.0)))
    azimuth = np.arctan2(places[:, 1], places[:, 0])
    return Cells(number, middle, every, places, share, azimuth, cells.side, spread, along, noise)
