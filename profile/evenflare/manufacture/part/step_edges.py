"""Behind an edge of an oblong wall a shell's outside is a fan about it, or a crease in which two parallels meet."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.step_splines import Quarter, Stretch, on_planes
from evenflare.manufacture.wall.grid import turned
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.surface import Patch, Surface
from evenflare.words import mm

_STEPS = 30
_MET = 1e-11
"""m, within which both parallels meet in a crease."""
_ASIDE = 1e-7
"""m along the wall, and rad, between places from which slopes are taken."""


def fan(surface: Surface, thickness: float, stretch: int, quarter: Quarter) -> Stretch:
    """The outside round the edge at the end of a stretch from which the wall turns toward the axis: a tube's about the
    edge, `thickness` (m) thick.
    """

    def points_at(share: FloatArray, turn: FloatArray) -> FloatArray:
        before, after = (edge_patch(surface, stretch, side, turn, quarter) for side in (stretch, stretch + 1))
        normals = turned(before.normals, after.normals, share[:, None, None])
        return on_planes((before.points - thickness * normals) / MILLIMETRE, turn)

    return points_at


def edge_patch(surface: Surface, stretch: int, side: int, turn: FloatArray, quarter: Quarter) -> Patch:
    """(1, C, ...), of the edge at the end of a stretch, at ways round (C,), as the stretch `side` has it."""
    cut = surface.cuts[stretch + 1]
    return surface.patch(np.array([cut]), quarter.turns(np.array(cut), turn), stretch=side, bends=False)


def crease(
    surface: Surface, thickness: float, stretch: int, turn: FloatArray, quarter: Quarter
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where the parallels, `thickness` (m) behind, of two stretches meet beside the edge at the end of the first one.

    turn : (C,), the ways round, half-way between those of both stretches.
    Returns z (C,), m, and the ways round (C,) behind either stretch, from which its normals lead there.
    Errors : InputError if they do not meet.
    """
    cut = surface.cuts[stretch + 1]
    before, after = (edge_patch(surface, stretch, side, turn, quarter).normals[0] for side in (stretch, stretch + 1))
    angle = 2.0 * np.arctan2(np.linalg.norm(before - after, axis=-1), np.linalg.norm(before + after, axis=-1))
    along = [np.sqrt(1.0 - np.minimum(normals[:, 2] ** 2, 1.0)) for normals in (before, after)]
    # Of straight walls with straight sections they would meet there; Newton's method goes on from it.
    off = thickness * np.tan(0.5 * angle)
    found = np.stack([cut - off * along[0], cut + off * along[1], np.zeros_like(off)], axis=-1)

    def behind(side: int, depth: FloatArray, way: FloatArray) -> FloatArray:
        depth = np.clip(depth, surface.cuts[side], surface.cuts[side + 1])
        patch = surface.patch(depth, quarter.turns(depth, way)[:, None], stretch=side, bends=False)
        return np.asarray(patch.points[:, 0] - thickness * patch.normals[:, 0])

    def apart(at: FloatArray) -> FloatArray:
        low, high, aside = at.T
        return behind(stretch, low, turn + aside) - behind(stretch + 1, high, turn - aside)

    for _ in range(_STEPS):
        missed = apart(found)
        if np.linalg.norm(missed, axis=-1).max() < _MET:
            low, _, aside = found.T
            return behind(stretch, low, turn + aside)[:, 2], turn + aside, turn - aside
        steps = _ASIDE * np.eye(3)
        slopes = np.stack([(apart(found + step) - apart(found - step)) / (2.0 * _ASIDE) for step in steps], axis=-1)
        found = found - (np.linalg.pinv(slopes) @ missed[..., None])[..., 0]
    raise InputError(
        f"--step: the outside of this shell has an edge behind the wall at z_mm = {cut / MILLIMETRE:.4g}, beside which"
        f" the stretches of the wall are too short for wall_mm = {mm(thickness)}. Give the wall a radius there, or thin"
        ' the wall. Leave --step out, or write kind = "block"'
    )
