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
    worst = np.inf
    turns = np.arange(-180, 180) * DEGREE
    for over in (1.0, -1.0):
        flat = dowels * (over, 1.0)
        for turn in turns:
            if over > 0 and abs(turn) < 5 * DEGREE:
                continue
            cosine, sine = np.cos(turn), np.sin(turn)
            moved = flat @ np.array([[cosine, sine], [-sine, cosine]])
            gap = np.linalg.norm(moved[:, None] - dowels[None], axis=-1).min(axis=1).max()
            worst = min(worst, float(gap))
    return worst


def _land(outside: Outline, opening: Geometry, room: float) -> Geometry:
    return outside.polygon.buffer(-room).difference(opening.buffer(room))


def _sites(free: Geometry) -> FloatArray:
    """(N, 2), m: the middle of what is free along each of 180 rays from the axis."""
    import shapely

    found = []
    far = 2.0 * float(np.abs(free.bounds).max()) if not free.is_empty else 0.0
    for angle in np.arange(0, 360, 2) * DEGREE:
        ray = shapely.LineString([(0.0, 0.0), (far * np.cos(angle), far * np.sin(angle))])
        stretches = [part for part in shapely.get_parts(ray.intersection(free)) if part.length > 0.0]
        if stretches:
            middle = max(stretches, key=lambda part: part.length).interpolate(0.5, normalized=True)
            found.append((middle.x, middle.y))
    return np.array(found).reshape(-1, 2)


def _azimuth(places: FloatArray) -> FloatArray:
    return np.asarray(np.arctan2(places[:, 1], places[:, 0]))


def _apart(azimuth: FloatArray, other: float) -> FloatArray:
    return np.asarray(np.abs((azimuth - other + np.pi) % (2 * np.pi) - np.pi))


def _far_apart(places: FloatArray, least: float) -> bool:
    return all(np.hypot(*(a - b)) > least for a, b in itertools.combinations(places, 2))
