"""Metal that is machined off the wall of an oblong casting, and off a body's outside, along their normals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenflare.manufacture.part.boolean import body
from evenflare.manufacture.part.oblong_shell import ROLL, layers
from evenflare.manufacture.part.oblong_solid import closed
from evenflare.manufacture.wall.grid import Grid, around, joined_rows
from evenflare.units import FloatArray
from evenflare.waveguide.surface import Patch

if TYPE_CHECKING:
    from manifold3d import Manifold

_UP = np.array([0.0, 0.0, 1.0])


def straight_on(wall: Patch, row: int, far: FloatArray) -> Patch:
    """The opening's side from the first (0) or the last (-1) row of a wall on to the line `far` (C, 3), m, as a stretch
    that goes from the throat's end to the mouth's.
    """
    near = wall.points[row]
    points = np.stack([far, near] if row == 0 else [near, far])
    line = around(near[None])
    along = (np.roll(line, -1, axis=1) - np.roll(line, 1, axis=1))[0, : len(near)]
    normal = np.cross(points[1] - points[0], along)
    normal *= np.sign(-np.sum(normal[:, :2] * near[:, :2], axis=1))[:, None] / np.linalg.norm(normal, axis=1)[:, None]
    return Patch(points, np.stack([normal] * 2), np.stack([wall.curvatures[row]] * 2))


def on_wall(stretches: Sequence[Patch], stock: float, *, chord_error: float) -> list[Manifold]:
    """Bodies whose union holds all air within `stock` (m) of a wall: those of a shell behind it, the other side up."""
    over = [Patch(p.points[::-1], -p.normals[::-1], -p.curvatures[::-1, :, ::-1]) for p in reversed(stretches)]
    return [body(*closed(rings)) for rings in layers(over, stock, chord_error=chord_error, throat=False)]


def on_outside(stretches: Sequence[Grid | Patch], stock: float) -> FloatArray:
    """(R, C, 3), m: the parallel `stock` (m) outside of a body, from where it faces forward to where it faces back,
    rolled round edges.
    """
    first, last = stretches[0].points[:1], stretches[-1].points[-1:]
    ends = [Grid(row, np.broadcast_to(up, row.shape)) for row, up in ((first, _UP), (last, -_UP))]
    rows = joined_rows([ends[0], *stretches, ends[1]], roll=ROLL)
    return np.asarray(rows.points + stock * rows.normals)
