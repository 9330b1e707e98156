"""Which points of a scan are of the wall: near to where such a part's wall lies, and no strays."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.inspection.cells import columns, sorted_in, strays
from evenflare.inspection.feet import DrawnFeet, Feet
from evenflare.inspection.registering import FACE, Laid
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray

FEWEST = 6
"""Points of the wall: as many as a pose has unknowns."""
REACHED = 0.15
"""Radii of the exit from the throat, of arc: a scan that holds points there shows how the wall begins."""
_AT_THROAT = 3
"""Points."""
_WIDE, _SHARE = 8.0, 0.015
_TOGETHER = 25
"""Points of a cell in which strays are told from the wall, on the average."""


def reaches_throat(drawn: DrawnFeet, laid: Laid, feet: Feet, off: FloatArray) -> bool:
    """Whether points laid on the wall, `off` (N,) m, show how it begins."""
    share = feet.share[_close(drawn, laid.spread, feet, off, laid.kinds)[0]]
    return int(np.sum(share * drawn.length < REACHED * drawn.exit_radius)) >= _AT_THROAT


def of_wall(
    drawn: DrawnFeet, spread: float, feet: Feet, off: FloatArray, expected: FloatArray, *, cells: int
) -> BoolArray:
    """(N,) which points, `off` (N,) m, are of a wall that departs by `expected` (K,), as KINDS.

    spread : m, of what remained as the scan was laid; cells : in which the wall is seen at most.
    Errors : InputError if there are fewer than FEWEST.
    """
    near, left = _close(drawn, spread, feet, off, expected)
    if near.size > cells:
        fine = sorted_in(feet.places[near], most=max(1, min(3 * cells, near.size // _TOGETHER)))
        near = near[~strays(left, feet.places[near], fine)]
    used = np.zeros(len(off), dtype=bool)
    used[near] = True
    if near.size < FEWEST:
        raise InputError(
            f"{near.size} points of the scan lie on the drawn wall: must be at least {FEWEST}. Is it a scan of this"
            " part?"
        )
    return used


def _close(
    drawn: DrawnFeet, spread: float, feet: Feet, off: FloatArray, expected: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Which (M,) of the points lie about where the wall does, and how far (M,) off that, m; see `of_wall`."""
    near = np.flatnonzero(feet.inside & np.isfinite(off) & ~_of_throat_face(drawn, feet))
    left = off[near] - np.einsum("kn,k->n", columns(feet.of(near), drawn), expected)
    reach = max(_WIDE * spread, _SHARE * drawn.length)
    left -= _crowd(left, reach)
    close = np.abs(left) < reach
    return near[close], left[close]


def _of_throat_face(drawn: DrawnFeet, feet: Feet) -> BoolArray:
    """(N,) which points lie outside of the throat, nearer to its plane than to the wall: behind a wide one they are in
    reach of the wall's normals.
    """
    places = feet.places + feet.off[:, None] * feet.normals
    rim = drawn.wall_at(np.zeros(1), np.zeros(1))[0][0, 0]
    outside: BoolArray = np.hypot(places[:, 0], places[:, 1]) > rim + 0.3 * MILLIMETRE
    return outside & (np.abs(places[:, 2]) < 0.5 * np.abs(feet.off))


def _crowd(values: FloatArray, reach: float) -> float:
    """The median of those of the values within the window, `reach` to either side and near 0, that holds most."""
    ranked = np.sort(values[np.abs(values) < FACE + reach])
    if not ranked.size:
        return 0.0
    first = np.searchsorted(ranked, ranked - 2.0 * reach)
    last = int(np.argmax(np.arange(ranked.size) - first))
    return float(np.median(ranked[first[last] : last + 1]))
