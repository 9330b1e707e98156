"""How far places are from the wall of an oblong waveguide, from a dense cloud of points on it."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide.surface import Surface, depth_at

STEP = 0.25 * MILLIMETRE
"""Between neighbours of the cloud, or a 600th of the largest size of the wall if that is more."""
SHARES = 600
NEARLY = 1e-4
"""A point may be farther than the nearest by this share."""

_SEARCHES = 8
_TURN = 1e-5
_START, _END = 0.02, 1e-4
"""Of a stretch's parameter, how far off its ends a search begins, and how near it comes to them: there depth stands
still over the parameter, which then says nothing of the way on. _END is 2.5e-8 of the stretch's depth.
"""


def tree_aside(points: FloatArray) -> Any:
    """Tree that finds the nearest of points (N, 3) on a surface to places well off it, as a ball's middle is.

    Many are then nearly as near as the nearest: one by one they are looked at more quickly than box by box, so that
    leaves are large, and boxes are those in which space is halved: four times as quick as with scipy's own choice.
    """
    from scipy.spatial import cKDTree

    return cKDTree(points, leafsize=64, balanced_tree=False, compact_nodes=False)


@dataclass(frozen=True)
class Cloud:
    """Points of a quarter of the wall (N, 3), m, their unit normals into the air, principal curvatures (N, 2), 1/m.

    stretches, parameters : (N,) and (N, 2), where on the surface: see depth_at, and psi in rad.
    step                  : m, between neighbours at most.
    """

    surface: Surface
    points: FloatArray
    normals: FloatArray
    curvatures: FloatArray
    stretches: IntArray
    parameters: FloatArray
    step: float

    @cached_property
    def _tree(self) -> Any:
        return tree_aside(self.points)

    def distance(self, places: FloatArray, *, below: float = np.inf) -> FloatArray:
        """m, (...,): from places (..., 3) to the wall; infinite from `below` (m) on.

        Met on the plane that touches the wall at the nearest point, with an error of about step^2 / (4 R) on a radius R
        of the wall: a micrometre for 15 mm.
        """
        return self._met(places, below)[0]

    def nearest_normals(self, places: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(N, 3) and (N,), m: the wall's normal nearest to places (N, 3), and how far off it they are, see distance."""
        distance, nearest = self._met(places, np.inf)
        sides = np.where(places < 0.0, -1.0, 1.0)
        sides[:, 2] = 1.0
        return self.normals[nearest] * sides, distance

    def _met(self, places: FloatArray, below: float) -> tuple[FloatArray, IntArray]:
        """See distance; and which of the points is nearest."""
        # The wall is symmetric: no point of another quarter is nearer than its mirror image in the place's own.
        folded = np.stack([np.abs(places[..., 0]), np.abs(places[..., 1]), places[..., 2]], axis=-1)
        # A concave wall is nearly as far in many points: any of them will do, and is found much sooner.
        distance, nearest = self._tree.query(folded, eps=NEARLY, distance_upper_bound=below)
        met = nearest < len(self.points)
        nearest = np.where(met, nearest, 0)
        across = np.abs(np.sum((folded - self.points[nearest]) * self.normals[nearest], axis=-1))
        beside = np.sqrt(np.maximum(distance**2 - across**2, 0.0))
        # Beyond throat and mouth the nearest point is on the rim, and no plane touches.
        return np.asarray(np.where(met & (beside <= self.step), across, distance)), nearest

    def clearance(self, places: FloatArray, *, needed: float) -> FloatArray:
        """m, (N,): from places (N, 3) to the wall; exact, to a micrometre, for those nearer than `needed` (m).

        There the nearest point is sought on the surface itself, from the cloud's (Gauss-Newton).
        """
        found = self.distance(places)
        near = np.flatnonzero(found < needed)
        if near.size:
            folded = np.abs(places[near]) * np.array([1.0, 1.0, 0.0]) + places[near] * np.array([0.0, 0.0, 1.0])
            start = self._tree.query(folded)[1]
            found[near] = np.inf
            # The nearest point may lie beyond the seam that the cloud's lies on, or beside.
            for on in (-1, 0, 1):
                stretches = self.stretches[start] + on
                for stretch in np.unique(stretches[(stretches >= 0) & (stretches < len(self.surface.cuts) - 1)]):
                    here = stretches == stretch
                    where = self.parameters[start[here]]
                    if on:
                        where = np.column_stack([np.full(len(where), float(on < 0)), where[:, 1]])
                    sought = self._sought(int(stretch), where, folded[here])
                    found[near[here]] = np.minimum(found[near[here]], sought)
        return found

    def _sought(self, stretch: int, where: FloatArray, places: FloatArray) -> FloatArray:
        """m, (N,): the distance of each place (N, 3) from the surface, sought from parameters (N, 2)."""

        def points_at(t: FloatArray, psi: FloatArray) -> FloatArray:
            depths = depth_at(self.surface, stretch, t)
            return self.surface.patch(depths, psi[:, None], stretch=stretch, bends=False).points[:, 0]

        t, psi = np.clip(where[:, 0], _START, 1.0 - _START), where[:, 1]
        best = np.full(len(places), np.inf)
        for _ in range(_SEARCHES):
            off = places - points_at(t, psi)
            best = np.minimum(best, np.linalg.norm(off, axis=-1))
            along = (points_at(t + _TURN, psi) - points_at(t - _TURN, psi)) / (2.0 * _TURN)
            round_it = (points_at(t, psi + _TURN) - points_at(t, psi - _TURN)) / (2.0 * _TURN)
            tangents = np.stack([along, round_it], axis=-1)
            step = np.einsum("nik,nk->ni", np.linalg.pinv(tangents), off)
            t, psi = np.clip(t + step[:, 0], _END, 1.0 - _END), psi + step[:, 1]
        return best

    @property
    def widest(self) -> FloatArray:
        """m, (3,): largest x, largest y, largest distance from the axis."""
        x, y = self.points[:, 0], self.points[:, 1]
        return np.array([x.max(), y.max(), np.hypot(x, y).max()])


_KEPT: deque[Cloud] = deque(maxlen=2)


def cloud(surface: Surface, *, step: float | None = None) -> Cloud:
    """Points on the wall at most `step` apart (m; left out: see STEP), throat, mouth and both planes included.

    The last two are kept: parts, paths and programs of one wall ask for the same.
    """
    if step is None:
        step = max(STEP, max(surface.mouth_width, surface.mouth_height, surface.depth) / SHARES)
    for kept in tuple(_KEPT):
        if kept.surface is surface and kept.step == step:
            return kept
    t, psi = np.linspace(0.0, 1.0, 129), np.linspace(0.0, 0.5 * np.pi, 129)
    count = len(surface.cuts) - 1
    rough = [surface.patch(depth_at(surface, k, t), psi, stretch=k, bends=False).points for k in range(count)]
    around = np.max([np.linalg.norm(np.diff(p, axis=1), axis=-1).max(axis=0) for p in rough], axis=0)
    columns = 0.5 * np.pi * _even(around, step)
    parts, stretches, parameters = [], [], []
    for stretch, points in enumerate(rough):
        rows = _even(np.linalg.norm(np.diff(points, axis=0), axis=-1).max(axis=1), step)
        parts.append(surface.patch(depth_at(surface, stretch, rows), columns, stretch=stretch))
        stretches.append(np.full(rows.size * columns.size, stretch))
        parameters.append(np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2))
    points, normals, curvatures = (
        np.concatenate([getattr(part, name).reshape(-1, width) for part in parts])
        for name, width in (("points", 3), ("normals", 3), ("curvatures", 2))
    )
    known = points, normals, curvatures, np.concatenate(stretches), np.concatenate(parameters)
    for values in known:
        values.setflags(write=False)
    _KEPT.append(found := Cloud(surface, *known, step))
    return found


def _even(lengths: FloatArray, step: float) -> FloatArray:
    """Places from 0 to 1 over cells of these lengths (m), at most `step` apart."""
    total = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(4, int(np.ceil(1.05 * total[-1] / step)))
    return np.interp(np.linspace(0.0, total[-1], count + 1), total, np.linspace(0.0, 1.0, total.size))


def azimuth(place: FloatArray) -> float:
    """rad, 0 in the horizontal plane, of a place (3,) in m."""
    return float(np.round(np.arctan2(place[1], place[0]), 12))


def told(place: FloatArray) -> str:
    """A place (3,) in m, in a message's words."""
    return f"z_mm = {place[2] / MILLIMETRE:.4g}, azimuth_deg = {azimuth(place) / DEGREE:.3g}"
