"""The raw casting of an oblong free-standing body: parted at its widest place, with draft from there both ways."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenflare.manufacture.casting.raw import Raw
from evenflare.manufacture.part.oblong_solid import filled
from evenflare.manufacture.part.outline import COINCIDENT
from evenflare.manufacture.wall.grid import around
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.oblong_body import OblongBody, rim_of

if TYPE_CHECKING:
    from manifold3d import Manifold

_COLUMNS = 91
_HEADINGS = DEGREE * np.arange(90, 271)
_STRAIGHT_OUT, _TO_AXIS = np.pi, 1.5 * np.pi


def standing(body: OblongBody, quarter: FloatArray, raw: Raw, psi: FloatArray) -> tuple[Manifold, float]:
    """The casting without bore and recess, metal on the flat of its back; and the most that draft leaves anywhere on
    its outside along the normal, m, what is machined off included.

    A convex body with the draft's cone at each of its places is their Minkowski sum (Schneider, Convex Bodies: The
    Brunn-Minkowski Theory, section 3.1, from memory): in each direction across the rim it goes on from where the
    outside stands at the draft, straight to the parting.

    quarter : (R, C, 3) m, of the body's outside with what is machined off it, from the rim to where its back is flat,
              at
    psi     : (C,) rad, elliptic parameters.
    """
    from manifold3d import Manifold, OpType

    draft, parting = float(np.arctan(raw.slope)), raw.parting
    across = rim_of(body.surface, psi).across

    def drawn(place: FloatArray, z: float | FloatArray) -> FloatArray:
        """Places (..., C, 3) at heights z (..., C), wider by the draft than (C, 3) are."""
        wider = place[:, :2] + (raw.slope * np.abs(z - place[:, 2]))[..., None] * across
        return np.concatenate([wider, np.broadcast_to(z, wider.shape[:-1])[..., None]], axis=-1)

    def facing(heading: float) -> FloatArray:
        """Where the raw outside faces a heading, with the metal that is machined off it."""
        normal = np.concatenate([-np.cos(heading) * across, np.full_like(across[:, :1], np.sin(heading))], axis=1)
        return np.asarray(body.facing(heading, psi) + raw.wall_stock * normal)

    ahead, behind = (facing(_STRAIGHT_OUT + turn) for turn in (-draft, draft))
    flat = facing(_TO_AXIS)
    foot = np.concatenate([flat[:, :2], np.full_like(flat[:, 2:], raw.back)], axis=1)
    ends = [drawn(place, parting) for place in (ahead, behind, foot)]
    high, low = np.maximum(quarter[..., 2], parting), np.minimum(quarter[..., 2], parting)
    front = np.where((high < ahead[:, 2])[..., None], drawn(ahead, high), quarter)[(high > parting + COINCIDENT).any(1)]
    back = np.where((low > behind[:, 2])[..., None], drawn(behind, low), quarter)[(low < parting - COINCIDENT).any(1)]
    bodies = [np.stack(rows) for rows in ([*front, ends[0]][::-1], [ends[1], *back][::-1], [foot, ends[2]])]
    parts = [filled(around(rows)) for rows in bodies if np.ptp(rows[..., 2]) > COINCIDENT]
    left = _beyond(body, np.concatenate([*ends, drawn(foot, body.back)]))
    return Manifold.batch_boolean(parts, OpType.Add), left


def _beyond(body: OblongBody, places: FloatArray) -> float:
    """m, how far places (N, 3) of the first quarter lie outside a convex body at most: beyond planes that touch it."""
    heading, psi = np.meshgrid(_HEADINGS, np.linspace(0.0, 0.5 * np.pi, _COLUMNS), indexing="ij")
    across = rim_of(body.surface, psi).across
    normals = np.concatenate([-np.cos(heading)[..., None] * across, np.sin(heading)[..., None]], axis=-1)
    touching = np.sum(body.facing(heading, psi) * normals, axis=-1)
    apart = places @ normals.reshape(-1, 3).T - touching.ravel()
    return max(0.0, float(apart.max(axis=1).max()))
