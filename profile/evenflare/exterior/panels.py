"""Patches cut into panels: a polynomial in u and v each, with Gauss nodes on which the pressure is sought."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.exterior.patches import MirroredPatches, SmoothPatch
from evenflare.units import FloatArray

COEFFICIENTS = 5
"""Of a panel's map along u and along v: a quarter circle cut in two lies within 1e-6 of its radius."""
ORDER = 3
"""Nodes along u and along v."""
TURN = 0.25 * np.pi
"""rad that a panel may turn at most."""
EDGE_SIZE = 0.3
"""Of the size wanted, that of the cells at a sharp edge, and
GROWTH how much they grow for each metre from it."""
GROWTH = 0.6
SAMPLES = 33
"""Along a patch, to measure it."""

GAUSS, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(ORDER)


@dataclass(frozen=True)
class PanelMesh:
    """Panels (M,) and their nodes (N,), panel by panel, ORDER^2 each, v fastest.

    shape   : (M, 3, 5, 5) coefficients of x, y, z in powers of u and v on [-1, 1].
    side    : (M,) 1 where d/du x d/dv points into the air, else -1.
    middle  : (M, 3) m, and reach (M,) m, a ball that holds the panel.
    place   : (N, 3) m, normal (N, 3) into the air, weight (N,) m2.
    mirrors : axes of the mirror planes that make the whole body of them.
    """

    shape: FloatArray
    side: FloatArray
    middle: FloatArray
    reach: FloatArray
    place: FloatArray
    normal: FloatArray
    weight: FloatArray
    mirrors: tuple[int, ...]

    @property
    def size(self) -> int:
        """N."""
        return len(self.place)


def meshed(part: MirroredPatches, size: float) -> PanelMesh:
    """Panels of about `size`, m, smaller where the surface turns and at its sharp edges."""
    cells = np.concatenate([_cells(patch, size) for patch in part.patches])
    return of_cells(cells, part.mirrors)


def nodes_of(part: MirroredPatches, size: float) -> int:
    """How many nodes the panels of `meshed` have."""
    cuts = (_cuts(patch, size) for patch in part.patches)
    return ORDER * ORDER * sum((u.size - 1) * (v.size - 1) for u, v in cuts)


def _cuts(patch: SmoothPatch, size: float) -> tuple[FloatArray, FloatArray]:
    """Where along u and along v a patch is cut into cells."""
    t = np.linspace(0.0, 1.0, SAMPLES)
    places = patch.place(*np.meshgrid(t, t, indexing="ij"))
    return _breaks(places, size, patch.sharp[:2]), _breaks(np.swapaxes(places, 0, 1), size, patch.sharp[2:])


def _cells(patch: SmoothPatch, size: float) -> FloatArray:
    """(M, 3, 5, 5) places at the fit's points of a patch's cells."""
    u, v = _cuts(patch, size)
    points = 0.5 * (1.0 + _POINTS)
    rows = u[:-1, None] + np.diff(u)[:, None] * points
    columns = v[:-1, None] + np.diff(v)[:, None] * points
    at_u, at_v = np.broadcast_arrays(rows[:, None, :, None], columns[None, :, None, :])
    found = patch.place(at_u, at_v).reshape(-1, COEFFICIENTS, COEFFICIENTS, 3)
    return np.moveaxis(found, -1, 1)


def _breaks(places: FloatArray, size: float, sharp: tuple[bool, bool]) -> FloatArray:
    """Where along its first axis a patch is cut, from places (S, S, 3) on an even grid."""
    steps = np.linalg.norm(np.diff(places, axis=0), axis=-1)
    longest = int(steps.sum(axis=0).argmax())
    step = steps[:, longest]
    arc = np.concatenate([[0.0], np.cumsum(step)])
    # Where a patch runs into a point its lines there have no direction.
    there = steps > 1e-6 * steps.max()
    tangent = np.diff(places, axis=0) / np.where(there, steps, np.inf)[..., None]
    cosine = np.clip(np.sum(tangent[1:] * tangent[:-1], axis=-1), -1.0, 1.0)
    cosine[~(there[1:] & there[:-1])] = 1.0
    turn = float(np.arccos(cosine).sum(axis=0).max())
    middle = 0.5 * (arc[1:] + arc[:-1])
    wanted = np.full(middle.size, size)
    for is_sharp, distance in zip(sharp, (middle, arc[-1] - middle), strict=True):
        if is_sharp:
            wanted = np.minimum(wanted, EDGE_SIZE * size + GROWTH * distance)
    count = np.concatenate([[0.0], np.cumsum(np.maximum(step / wanted, turn / TURN / step.size))])
    pieces = max(1, int(np.ceil(count[-1] - 1e-9)))
    return np.interp(np.linspace(0.0, count[-1], pieces + 1), count, np.linspace(0.0, 1.0, SAMPLES))


_POINTS = np.cos(np.pi * np.arange(COEFFICIENTS) / (COEFFICIENTS - 1))
_TO_COEFFICIENTS = np.linalg.inv(np.vander(_POINTS, increasing=True))


def of_cells(cells: FloatArray, mirrors: tuple[int, ...]) -> PanelMesh:
    """The mesh of cells, given by their places (M, 3, 5, 5) at the fit's points (M is theirs), round the origin."""
    shape = np.einsum("ia,jb,mcab->mcij", _TO_COEFFICIENTS, _TO_COEFFICIENTS, cells)
    powers = np.vander(GAUSS, COEFFICIENTS, increasing=True)
    slopes = np.zeros_like(powers)
    slopes[:, 1:] = powers[:, :-1] * np.arange(1, COEFFICIENTS)
    place = np.einsum("ui,vj,mcij->muvc", powers, powers, shape)
    along_u = np.einsum("ui,vj,mcij->muvc", slopes, powers, shape)
    along_v = np.einsum("ui,vj,mcij->muvc", powers, slopes, shape)
    cross = np.cross(along_u, along_v)
    area = np.linalg.norm(cross, axis=-1)
    side = np.where(np.sum(cross * place, axis=(1, 2, 3)) < 0.0, -1.0, 1.0)
    weight = area * np.outer(GAUSS_WEIGHTS, GAUSS_WEIGHTS)
    normal = cross / area[..., None] * side[:, None, None, None]
    middle = place[:, ORDER // 2, ORDER // 2]
    reach = np.linalg.norm(cells - middle[:, :, None, None], axis=1).max(axis=(1, 2))
    return PanelMesh(
        np.ascontiguousarray(shape),
        side,
        np.ascontiguousarray(middle),
        reach,
        np.ascontiguousarray(place.reshape(-1, 3)),
        np.ascontiguousarray(normal.reshape(-1, 3)),
        weight.ravel(),
        mirrors,
    )
