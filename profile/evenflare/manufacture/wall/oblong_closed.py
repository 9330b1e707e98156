"""An oblong wall as far as a ball reaches it: what it does not reach keeps stock, as round as the ball.

As `closed` of a round wall: where a ball that touches the wall would cut into another stretch of it, it lies on both.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from evenflare.manufacture.wall.closed import Stays
from evenflare.manufacture.wall.oblong_offset import GOUGE
from evenflare.manufacture.wall.offset import NoRoomError
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray
from evenflare.waveguide import Oblong, Waveguide
from evenflare.waveguide.cloud import Cloud, azimuth, cloud, told, tree_aside

_MOVES = 400
_SHARE = 0.3
"""Of what it lacks to a ball's radius, that a middle is moved off the wall at a time."""
_BESIDE = 2.0
"""Steps of the cloud within which two of its points belong to one hollow, or one lies beside it."""
_CHUNK = 256


@dataclass(frozen=True, eq=False)
class Hollows:
    """Points (N, 3) of a quarter of a wall that a ball of `radius` does not reach, and the middles (N, 3) of the balls
    that lie there and cut into the wall nowhere; m, z from the throat plane.

    beside : (K, 3), points round about that it does reach. step : m, between neighbouring points at most.
    """

    points: FloatArray
    centres: FloatArray
    radius: float
    beside: FloatArray
    step: float

    @property
    def thick(self) -> FloatArray:
        """(N,), m, of the stock that stays at each point, along the way to the nearest middle."""
        return np.asarray(tree_aside(self.centres).query(self.points)[0] - self.radius)


@dataclass(frozen=True)
class ReachedOblong(Oblong):
    """A shape whose wall is another's as far as a ball reaches it: all but its hollows."""

    hollows: Hollows | None = None


def hollows_of(wall: Cloud, radius: float) -> Hollows:
    """What a ball of `radius` (m) does not reach of a wall. Errors: NoRoomError as `moved_off`."""
    from scipy.spatial import cKDTree

    moved, off = moved_off(wall.points, wall.points + radius * wall.normals, wall, radius)
    hollow, rest = wall.points[off], wall.points[~off]
    near = cKDTree(hollow).query(rest, distance_upper_bound=_BESIDE * wall.step)[0] < np.inf if off.any() else []
    return Hollows(hollow, moved[off], radius, rest[near], wall.step)


def moved_off(points: FloatArray, centres: FloatArray, wall: Cloud, radius: float) -> tuple[FloatArray, BoolArray]:
    """Middles (N, 3) of balls that touch a wall at points (N, 3), m, and of those that would cut into it elsewhere the
    middles of balls that lie there instead; and which these are.

    From its point such a middle moves off what of the wall is nearest, little by little: once another stretch is as
    near, it keeps between both until it is a radius off them (along the wall's medial axis).
    Errors : NoRoomError, with the place, where it finds no room between two stretches of wall.
    """
    moved = np.array(centres)
    cutting = np.flatnonzero(wall.distance(moved) < radius - GOUGE)
    cutting = cutting[wall.clearance(moved[cutting], needed=radius) < radius - GOUGE]
    off = np.zeros(len(moved), dtype=bool)
    off[cutting], moved[cutting] = True, points[cutting]
    for _ in range(_MOVES):
        if not cutting.size:
            return moved, off
        normals, distance = wall.nearest_normals(moved[cutting])
        short = radius - distance
        moved[cutting] += _SHARE * np.maximum(short, 0.0)[:, None] * normals
        cutting = cutting[short > 0.1 * GOUGE]
    raise NoRoomError(
        f"a ball with a radius of {radius / MILLIMETRE:g} mm finds no room in a hollow at {told(moved[cutting[0]])}."
        " Take a smaller tool, or open the wall there"
    )


def oblong_reached(waveguide: Waveguide, radius: float) -> tuple[Waveguide, tuple[Stays, ...]]:
    """An oblong waveguide whose wall is as a ball of `radius` (m) leaves it, and what stays, by hollow of a quarter.

    Errors : NoRoomError where a ball finds no room.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    found = hollows_of(cloud(waveguide.surface), radius)
    if not len(found.points):
        return waveguide, ()
    pairs = cKDTree(found.points).query_pairs(_BESIDE * found.step, output_type="ndarray")
    beside = coo_matrix((np.ones(len(pairs)), pairs.T), shape=(len(found.points),) * 2)
    count, number = connected_components(beside, directed=False)
    thick, stays = found.thick, list[Stays]()
    for k in range(count):
        here = np.flatnonzero(number == k)
        worst, z = here[thick[here].argmax()], found.points[here, 2]
        place = found.points[worst]
        stays.append(Stays(float(place[2]), float(thick[worst]), float(z.min()), float(z.max()), azimuth(place)))
    shape = waveguide.shape
    assert isinstance(shape, Oblong)
    kept = {field.name: getattr(shape, field.name) for field in fields(Oblong)}
    return replace(waveguide, shape=ReachedOblong(**kept, hollows=found)), tuple(stays)


def filled_heights(found: Hollows, x: FloatArray, y: FloatArray, heights: FloatArray, slopes: FloatArray) -> None:
    """Raise heights (X, Y), m from the throat plane, to what the balls leave, and give slopes the normals' part along
    the axis there. x (X,), y (Y,) : m, of a quarter.
    """
    middle = _near(found)
    i, j = np.nonzero(np.isfinite(heights))
    places = np.column_stack([x[i], y[j], heights[i, j]])
    here = _unreached(found, places)
    i, j, places = i[here], j[here], places[here]
    for start in range(0, len(places), _CHUNK):
        of = slice(start, start + _CHUNK)
        square = found.radius**2 - ((places[of, None, :2] - middle[:, :2]) ** 2).sum(axis=-1)
        drop = np.sqrt(np.maximum(square, 0.0))
        low = np.where(square > 0.0, middle[:, 2] - drop, np.inf)
        best = low.argmin(axis=1)
        row = np.arange(len(best))
        higher = np.isfinite(low[row, best]) & (low[row, best] > places[of, 2])
        heights[i[of][higher], j[of][higher]] = low[row, best][higher]
        slopes[i[of][higher], j[of][higher]] = drop[row, best][higher] / found.radius


def filled_rays(found: Hollows, directions: FloatArray, z: FloatArray, walls: FloatArray, leans: FloatArray) -> None:
    """The same along rays of `directions` (A, 2) at depths z (Z,), m: `walls` (A, Z) come nearer to the axis."""
    middle = _near(found)
    i, j = np.nonzero(np.isfinite(walls))
    places = np.column_stack([walls[i, j, None] * directions[i], z[j]])
    here = _unreached(found, places)
    i, j = i[here], j[here]
    for start in range(0, len(i), _CHUNK):
        a, b = i[start : start + _CHUNK], j[start : start + _CHUNK]
        along = directions[a] @ middle[:, :2].T
        aside = (middle[:, :2] ** 2).sum(axis=-1) - along**2 + (z[b, None] - middle[:, 2]) ** 2
        square = found.radius**2 - aside
        out = np.where(square > 0.0, along + np.sqrt(np.maximum(square, 0.0)), -np.inf)
        best = out.argmax(axis=1)
        row = np.arange(len(best))
        nearer = np.isfinite(out[row, best]) & (out[row, best] < walls[a, b])
        walls[a[nearer], b[nearer]] = out[row, best][nearer]
        leans[a[nearer], b[nearer]] = (along[row, best] - out[row, best])[nearer] / found.radius


def _near(found: Hollows) -> FloatArray:
    """Middles (M, 3) once each, and beside the planes of symmetry those of the next quarter."""
    once = np.unique(found.centres.round(6), axis=0)
    mirrored = [once * sign for sign in ((-1, 1, 1), (1, -1, 1))]
    return np.concatenate([once, *(each[np.abs(each[:, :2]).min(axis=1) < found.radius] for each in mirrored)])


def _unreached(found: Hollows, places: FloatArray) -> IntArray:
    """Which places (N, 3) of the wall lie in a hollow: those to which a point of it is nearer than one beside it."""
    from scipy.spatial import cKDTree

    away = cKDTree(found.points).query(places, distance_upper_bound=found.step)[0]
    here = np.flatnonzero(np.isfinite(away))
    return np.asarray(here[away[here] <= cKDTree(found.beside).query(places[here])[0]])
