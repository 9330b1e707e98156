"""Panels of a body of flat faces: each face cut into quadrilaterals by itself, these into cells as a box's patches.

Nodes lie within panels, so panels of neighbours need not meet corner to corner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from evenflare.compiled import njit
from evenflare.exterior.panels import ORDER, PanelMesh, meshed
from evenflare.exterior.patches import MirroredPatches, SmoothPatch
from evenflare.exterior.quads import pieces_of
from evenflare.exterior.scattering import Scatterer
from evenflare.units import MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide.outlines import FlatOutline
from evenflare.waveguide.solid import ClosedSolid

DEEP = 0.2
"""m, how far below the surface it is looked for the other side at most."""
ON_PLANE = 1e-6
"""m, within which a corner lies on a mirror plane."""
LEAST_AREA = 1e-9
"""m2, of a flat face that gets panels: less sound passes through it than rounding makes."""
ROUGHEST = 0.02
"""Of Gauss's integral, how far it is from what it must be at most before it is mended; seen 1e-3."""
NODES = ORDER * ORDER


def solid_mesh(solid: ClosedSolid, size: float) -> PanelMesh:
    """Panels of about `size`, m, of the part of it that its mirror planes leave. ValueError as `pieces_of`."""
    return flat_mesh(solid_patches(solid).patches, solid.mirrors, size)


def flat_mesh(patches: tuple[SmoothPatch, ...], mirrors: tuple[int, ...], size: float) -> PanelMesh:
    """Panels of patches of `flat_patches`, of about `size`, m."""
    mesh = meshed(MirroredPatches(patches, mirrors), size)
    # Every patch runs so that d/du x d/dv points out.
    return replace(mesh, side=np.ones_like(mesh.side), normal=mesh.normal * np.repeat(mesh.side, NODES)[:, None])


def room_below(mesh: PanelMesh, solid: ClosedSolid) -> FloatArray:
    """(N,) m, how far the solid reaches below each node, on it or inside it, up to DEEP."""
    return np.asarray(_room(mesh.place, mesh.normal, solid.vertices[solid.faces], DEEP))


def checked(body: Scatterer) -> Scatterer:
    """The body. ValueError, which says where, if Gauss's integral over its panels is not a half at their nodes."""
    off = np.abs(body.free_term - 0.5)
    worst = int(off.argmax())
    if off[worst] > ROUGHEST:
        where = ", ".join(f"{each / MILLIMETRE:.4g}" for each in body.mesh.place[worst].tolist())
        raise ValueError(
            f"integrals over the cabinet's surface are off by {off[worst]:.2g} at {where} mm (x, y, z from its middle):"
            f" must be below {ROUGHEST:g}. Its faces there are too small or too near to others: draw that place again"
        )
    return body


@lru_cache(maxsize=4)
def solid_patches(solid: ClosedSolid) -> MirroredPatches:
    """Of the part of it that its mirror planes leave. ValueError as `pieces_of`."""
    return MirroredPatches(flat_patches(solid.outlines, solid.mirrors), solid.mirrors)


def flat_patches(outlines: Sequence[FlatOutline], mirrors: tuple[int, ...]) -> tuple[SmoothPatch, ...]:
    """Of flat faces, what mirror planes leave of them. ValueError as `pieces_of`."""
    found: list[SmoothPatch] = []
    for outline in outlines:
        ends, sharp = outline.ends, outline.sharp
        for axis in mirrors:
            ends, sharp = _cut(ends, sharp, outline.normal, axis)
        if not len(ends):
            continue
        frame = _frame(outline.normal)
        origin = ends[0, 0]
        flat = (ends - origin) @ frame[:2].T
        if _area(flat) < LEAST_AREA:
            continue
        try:
            pieces = pieces_of(flat, sharp)
        except ValueError as error:
            where = ", ".join(f"{each / MILLIMETRE:.4g}" for each in ends.mean(axis=(0, 1)).tolist())
            raise ValueError(
                f"the cabinet: {error}, about {where} mm (x, y, z from its middle). Draw that face simpler"
            ) from error
        found += [
            SmoothPatch(_FacePlane(origin, frame, corners), (bool(s[3]), bool(s[1]), bool(s[0]), bool(s[2])))
            for corners, s in zip(pieces.corners, pieces.sharp, strict=True)
        ]
    return tuple(found)


class _FacePlane:
    """The map of a quadrilateral in a plane: corners (4, 2) at u, v = (0, 0), (1, 0), (1, 1), (0, 1)."""

    def __init__(self, origin: FloatArray, frame: FloatArray, corners: FloatArray) -> None:
        self.corners = origin + corners @ frame[:2]

    def __call__(self, u: FloatArray, v: FloatArray) -> FloatArray:
        u, v = u[..., None], v[..., None]
        a, b, c, d = self.corners
        return np.asarray((1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * d + u * c))


def _frame(normal: FloatArray) -> FloatArray:
    """(3, 3) unit vectors: two along a plane, right-handed with its normal, the third."""
    along = np.eye(3)[int(np.abs(normal).argmin())]
    first = np.cross(along, normal)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(normal, first), normal])


def _area(sides: FloatArray) -> float:
    """m2, to the left of sides (S, 2, 2) that close."""
    return float(0.5 * np.sum(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0]))


def _cut(ends: FloatArray, sharp: BoolArray, normal: FloatArray, axis: int) -> tuple[FloatArray, BoolArray]:
    """The part of a flat face, its sides (S, 2, 3), where a coordinate is not negative; no edge is sharp on the cut."""
    at = np.where(np.abs(ends[:, :, axis]) < ON_PLANE, 0.0, ends[:, :, axis])
    ends = ends.copy()
    ends[:, :, axis] = at
    stays, leaves = (at >= 0.0).all(axis=1), (at[:, 0] >= 0.0) & (at[:, 1] < 0.0)
    enters = (at[:, 0] < 0.0) & (at[:, 1] >= 0.0)
    met = leaves | enters
    if not met.any():
        return ends[stays], sharp[stays]
    share = (at[met, 0] / (at[met, 0] - at[met, 1]))[:, None]
    place = ends[met, 0] + share * (ends[met, 1] - ends[met, 0])
    place[:, axis] = 0.0
    parts = ends[met].copy()
    parts[leaves[met], 1], parts[enters[met], 0] = place[leaves[met]], place[enters[met]]
    # Along the cut the face lies between the first and the second place, the third and the fourth, and so on.
    line = np.cross(normal, np.eye(3)[axis])
    order = np.argsort(place @ line, kind="stable").reshape(-1, 2)
    between = np.stack([place[order[:, 0]], place[order[:, 1]]], axis=1)
    # The kept part to the left of it.
    toward = np.cross(normal, line)[axis]
    between = between if toward > 0.0 else between[:, ::-1]
    every = np.concatenate([ends[stays], parts, between])
    flags = np.concatenate([sharp[stays], sharp[met], np.zeros(len(between), dtype=bool)])
    length = np.linalg.norm(every[:, 1] - every[:, 0], axis=1)
    return every[length > ON_PLANE], flags[length > ON_PLANE]


@njit(cache=True, nogil=True)
def _room(place, normal, triangles, deep):  # type: ignore[no-untyped-def]
    """Along every normal, inward, to the nearest triangle. Source: Moller & Trumbore (1997)."""
    found = np.full(len(place), deep)
    for t in range(len(triangles)):
        ax, ay, az = triangles[t, 0]
        ux, uy, uz = triangles[t, 1, 0] - ax, triangles[t, 1, 1] - ay, triangles[t, 1, 2] - az
        vx, vy, vz = triangles[t, 2, 0] - ax, triangles[t, 2, 1] - ay, triangles[t, 2, 2] - az
        for i in range(len(place)):
            dx, dy, dz = -normal[i, 0], -normal[i, 1], -normal[i, 2]
            px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
            facing = ux * px + uy * py + uz * pz
            if math.fabs(facing) < 1e-14:
                continue
            sx, sy, sz = place[i, 0] - ax, place[i, 1] - ay, place[i, 2] - az
            first = (sx * px + sy * py + sz * pz) / facing
            if first < -1e-9 or first > 1.0 + 1e-9:
                continue
            qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
            second = (dx * qx + dy * qy + dz * qz) / facing
            if second < -1e-9 or first + second > 1.0 + 1e-9:
                continue
            far = (vx * qx + vy * qy + vz * qz) / facing
            # Its own face is at no distance.
            if far > 1e-5 and far < found[i]:
                found[i] = far
    return found
