"""Where dowels go through a stack of layers, so that it fits together in one way only."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.rings import Outline
from evenflare.units import DEGREE, MILLIMETRE, FloatArray

if TYPE_CHECKING:
    from shapely import Geometry

ROOM = 3 * MILLIMETRE
"""Material left beside a dowel's hole, at least (common practice, no source)."""
BOLT_ROOM = 10 * MILLIMETRE
"""From the middle of a bolt to the edge of a dowel's hole."""
WANTED = (40 * DEGREE, 160 * DEGREE, 285 * DEGREE)
"""Azimuths of dowels: at uneven angles, so that a layer fits neither turned nor upside down."""
APART = 3 * MILLIMETRE
"""By which at least one hole of a layer laid wrongly misses its dowel."""
LABEL = 10 * MILLIMETRE
"""Width of the place for a layer's number, two figures of 6 mm."""


def dowel_places(
    outside: Outline, openings: Sequence[Outline], bolts: Sequence[tuple[float, float]], *, diameter: float
) -> tuple[tuple[tuple[float, float], ...], tuple[float, float]]:
    """(x, y) in m of three dowels, clear of every opening, the edge and the bolts, and of a place for the number.

    diameter : m.
    Errors   : InputError if there is no room for three that tell every wrong way of laying a layer.
    """
    import shapely

    opening = shapely.union_all([each.polygon for each in openings])
    free = _land(outside, opening, 0.5 * diameter + ROOM)
    marks = [shapely.Point(place).buffer(0.5 * diameter + BOLT_ROOM) for place in bolts]
    sites = _sites(free.difference(shapely.union_all(marks)))
    by_wish = [sites[np.argsort(_apart(_azimuth(sites), wish), kind="stable")][:24] for wish in WANTED]
    for chosen in itertools.product(*by_wish):
        dowels = np.array(chosen)
        if _far_apart(dowels, 4 * diameter) and wrong_way_misses(dowels) > APART:
            break
    else:
        raise InputError(
            f"[solid] leaves no room between opening and edge for three dowels of {diameter / MILLIMETRE:g} mm with"
            f" {ROOM / MILLIMETRE:g} mm beside them, {BOLT_ROOM / MILLIMETRE:g} mm clear of the bolts: make the flange"
            " larger, or have fewer bolts"
        )
    taken = [shapely.Point(place).buffer(0.5 * (diameter + LABEL)) for place in dowels]
    taken += [shapely.Point(place).buffer(0.5 * (BOLT_ROOM + LABEL)) for place in bolts]
    held = shapely.union_all(taken)
    # On a narrow land the number may touch the edge, but never a hole.
    places = next(
        (found for room in (0.5 * LABEL, 0.0) if len(found := _sites(_land(outside, opening, room).difference(held)))),
        dowels,
    )
    top = places[np.argsort(_apart(_azimuth(places), 0.5 * np.pi), kind="stable")][0]
    return tuple((float(x), float(y)) for x, y in dowels), (float(top[0]), float(top[1]))


def wrong_way_misses(dowels: FloatArray) -> float:
    """m: the least, over turns about the axis, with and without turning over, of the greatest distance from a dowel
    (N, 2), m, to the nearest hole; but for turns so small that it is the right way.
    """
    turns = np.arange(-180, 180) * DEGREE
    wrong = turns[np.abs(turns) >= 5 * DEGREE - 1e-9]
    holes = dowels @ np.array([1.0, 1.0j])
    moved = [np.exp(1j * wrong)[:, None] * holes, np.exp(1j * turns)[:, None] * -holes.conj()]
    gaps = np.abs(np.concatenate(moved)[:, :, None] - holes).min(axis=2).max(axis=1)
    return float(gaps.min())


def _land(outside: Outline, opening: Geometry, room: float) -> Geometry:
    return outside.polygon.buffer(-room).difference(opening.buffer(room))


def _sites(free: Geometry) -> FloatArray:
    """(N, 2), m: the middle of what is free along each of 180 rays from the axis."""
    import shapely

    if free.is_empty:
        return np.empty((0, 2))
    far, angle = 2.0 * float(np.abs(free.bounds).max()), np.arange(0, 360, 2) * DEGREE
    ends = far * np.column_stack([np.cos(angle), np.sin(angle)])
    rays = shapely.linestrings(np.stack([np.zeros_like(ends), ends], axis=1))
    parts, ray = shapely.get_parts(shapely.intersection(rays, free), return_index=True)
    order = np.lexsort([-shapely.length(parts), ray])
    parts, ray = parts[order], ray[order]
    longest = parts[np.unique(ray, return_index=True)[1]]
    longest = longest[shapely.length(longest) > 0.0]
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(longest, 0.5, normalized=True)))


def _azimuth(places: FloatArray) -> FloatArray:
    return np.asarray(np.arctan2(places[:, 1], places[:, 0]))


def _apart(azimuth: FloatArray, other: float) -> FloatArray:
    return np.asarray(np.abs((azimuth - other + np.pi) % (2 * np.pi) - np.pi))


def _far_apart(places: FloatArray, least: float) -> bool:
    return all(np.hypot(*(a - b)) > least for a, b in itertools.combinations(places, 2))
