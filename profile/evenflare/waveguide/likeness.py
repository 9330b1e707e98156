"""How far two walls are apart: the distance in shape, and the greatest distance between them."""

from __future__ import annotations

import numpy as np
from shapely import points as points_at

from evenflare.units import FloatArray
from evenflare.waveguide.meridian import Meridian, joined, path
from evenflare.waveguide.oblong import PLANES, Oblong
from evenflare.waveguide.waveguide import Waveguide

COUNT = 129
"""Places of a wall, evenly along its arc from throat to rim."""
OUTLINE = np.linspace(0.0, 0.5 * np.pi, 33)
"""Parameters at which a mouth's outline is looked at, rad."""
_FINE = np.linspace(0.0, 1.0, 257)


def along(meridian: Meridian, count: int = COUNT) -> FloatArray:
    """Points (count, 2), z and r in m, evenly along a meridian's arc."""
    wall = joined([piece.frame_at(_FINE) for piece in meridian.pieces])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    at = np.linspace(0.0, length[-1], count)
    return np.column_stack([np.interp(at, length, wall.z), np.interp(at, length, wall.r)])


def walls(waveguide: Waveguide) -> FloatArray:
    """Points (P, COUNT, 2) of its meridian, or of that in each of two planes. ValueError if there is no such wall."""
    shape, radius = waveguide.shape, waveguide.driver.exit_radius
    of = [getattr(shape, plane) for plane in PLANES] if isinstance(shape, Oblong) else [shape]
    return np.stack([along(each.meridian(radius)) for each in of])


def apart(one: FloatArray, other: FloatArray) -> float:
    """m, the distance in shape of two `walls`: rms of the distance between places at the same share of their arcs.

    A round wall is held against both planes of an oblong one. Source: own choice.
    """
    return float(np.sqrt(np.mean(np.sum((one - other) ** 2, axis=-1))))


def farthest(one: FloatArray, other: FloatArray) -> float:
    """m, the greatest distance of a place on either of two `walls` from the other, in any plane (Hausdorff's)."""
    found = 0.0
    for a, b in zip(*np.broadcast_arrays(one, other), strict=True):
        for points, wall in ((a, b), (b, a)):
            found = max(found, float(path(*wall.T).distance(points_at(points)).max()))
    return found


def outline(waveguide: Waveguide) -> FloatArray:
    """A quarter of the mouth's outline, (1, N, 2), x and y in m."""
    surface = waveguide.surface
    depth, a, b = surface.mouth
    factor = surface.section.factor(np.full_like(OUTLINE, depth), OUTLINE, mouth=surface.mouth)
    return np.stack([a * factor * np.cos(OUTLINE), b * factor * np.sin(OUTLINE)], axis=-1)[None]
