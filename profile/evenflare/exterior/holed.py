"""A body of flat faces with a waveguide's mouth in its front: the flat faces, the front's without a hole that has
straight sides, and the ring between these and the mouth's rim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from evenflare.exterior.patches import SmoothPatch
from evenflare.exterior.solids import flat_patches
from evenflare.exterior.standing import around
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.solid import SolidCabinet
from evenflare.waveguide.surface import Surface

PIECES = (2, 4, 8, 16)
"""Straight sides of the hole for each smooth part of a quarter of the rim: as few as leave room."""
ROOMY = 4.0
"""Times what the rim bulges beyond the straight lines between its points, the room that a hole needs."""
WIDEST = 1.3
"""Of the rim, the hole at most: a ring that is wide has no need of straight sides so near the rim."""
SAMPLES = 65


def holed(cabinet: SolidCabinet, surface: Surface, mirrors: tuple[int, ...]) -> tuple[SmoothPatch, ...]:
    """The patches of all flat faces that the mirror planes leave, about the body's middle, the hole in the front.

    Errors: ValueError, which says how much flat front is missing, if the mouth comes too near to where it ends.
    """
    front = cabinet.solid.outlines[cabinet.solid.front]
    pieces, share = _hole(cabinet, surface)
    parts = _corners(surface, pieces)
    quarter = share * np.concatenate([*(each[:-1] for each in parts), parts[-1][-1:]])
    # From the right over the top to the left and under: every other quarter runs the other way.
    signed = quarter, (quarter * [-1.0, 1.0])[::-1], -quarter, (quarter * [1.0, -1.0])[::-1]
    flat = np.concatenate([each[:-1] for each in signed])
    corners = np.concatenate([flat, np.zeros((len(flat), 1))], axis=1) + cabinet.centre
    # Clockwise, so that the face lies to the left.
    hole = np.stack([np.roll(corners, -1, axis=0), corners], axis=1)
    sharp = np.concatenate([front.sharp, np.zeros(len(hole), dtype=bool)])
    outlines = list(cabinet.solid.outlines)
    outlines[cabinet.solid.front] = replace(front, ends=np.concatenate([front.ends, hole]), sharp=sharp)
    return flat_patches(outlines, mirrors)


def ring(cabinet: SolidCabinet, surface: Surface, *, sharp: bool) -> list[SmoothPatch]:
    """The quarter, right of and above the mouth's centre, between the rim and the hole, in the plane z = 0 about it.

    sharp : whether the rim is an edge.
    """
    pieces, share = _hole(cabinet, surface)
    found = []
    for psi, corners in zip(around(surface), _corners(surface, pieces), strict=True):
        for i in range(pieces):

            def place(u: FloatArray, v: FloatArray, i: int = i, psi=psi, corners: FloatArray = corners) -> FloatArray:  # type: ignore[no-untyped-def]
                u, v = np.broadcast_arrays(u, v)
                rim = _rim(surface, psi((i + u) / pieces))
                line = share * (corners[i] + u[..., None] * (corners[i + 1] - corners[i]))
                return np.concatenate([rim + v[..., None] * (line - rim), np.zeros_like(u)[..., None]], axis=-1)

            found.append(SmoothPatch(place, (False, False, sharp, False)))
    return found


def _hole(cabinet: SolidCabinet, surface: Surface) -> tuple[int, float]:
    """How many sides it has for each smooth part of a quarter of the rim, and how large it is, in sizes of the rim."""
    t = np.linspace(0.0, 1.0, SAMPLES)[:, None]
    sides = cabinet.solid.flat - cabinet.centre[:2]
    outside = np.abs(sides[:, :1] + t * np.diff(sides, axis=1)).reshape(-1, 2)
    rim = np.concatenate([_rim(surface, psi(t[:, 0])) for psi in around(surface)])
    for pieces in PIECES:
        parts = _corners(surface, pieces)
        inscribed = np.concatenate([parts[0][:1], *(each[1:] for each in parts)])
        bulge, room = _gauge(inscribed, rim).max() - 1.0, _gauge(inscribed, outside).min() - 1.0
        if room >= ROOMY * bulge:
            return pieces, 1.0 + min(0.5 * (bulge + room), WIDEST - 1.0)
    lacking = (ROOMY * bulge - room) * float(np.linalg.norm(rim, axis=1).max())
    raise ValueError(
        "[mounting] solid_stl: --method boundary_elements needs flat front all round the mouth,"
        f" {np.ceil(100 * lacking / MILLIMETRE) / 100:g} mm more of it than there is. Make the mouth smaller, or move"
        " it to where the front is wider"
    )


def _gauge(corners: FloatArray, places: FloatArray) -> FloatArray:
    """(Q,) by how much a convex outline about the origin grows to reach places (Q, 2), of its quarter's corners."""
    along = np.diff(corners, axis=0)
    across = np.stack([along[:, 1], -along[:, 0]], axis=1)
    return np.asarray((places @ across.T / np.sum(corners[:-1] * across, axis=1)).max(axis=1))


def _corners(surface: Surface, pieces: int) -> Sequence[FloatArray]:
    """For each smooth part of a quarter of the rim (pieces + 1, 2) points on it, from its right to its top."""
    steps = np.linspace(0.0, 1.0, pieces + 1)
    return list(map(partial(_rim, surface), (psi(steps) for psi in around(surface))))


def _rim(surface: Surface, psi: FloatArray) -> FloatArray:
    """(..., 2) m, of the mouth's rim about its centre."""
    depth = np.broadcast_to(np.array(surface.depth), np.shape(psi))
    axes = surface.axes(depth, stretch=len(surface.cuts) - 2)
    factor = surface.factor(depth, axes.a, axes.b, psi)
    return np.stack([axes.a * factor * np.cos(psi), axes.b * factor * np.sin(psi)], axis=-1)
