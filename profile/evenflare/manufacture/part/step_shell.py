"""The outside of a shell around an oblong waveguide as stretches for splines: the wall's parallel between planes."""

from __future__ import annotations

import itertools

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.step_splines import Quarter, Stretch, on_planes
from evenflare.manufacture.wall.grid import SMOOTH, edge_turns
from evenflare.manufacture.wall.parallel import at_heights, course
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.surface import Surface
from evenflare.words import mm

TIGHT = 0.95
"""Of the radius on which the wall bends outward: see oblong_shell."""
NEAR = 0.1 * MILLIMETRE
"""m; a stretch whose end comes nearer to a plane that bounds the outside is one with its neighbour there."""
ROUNDING = 1e-9
_COLUMNS = 65


def outside_stretches(
    surface: Surface, thickness: float, low: float, high: float, *, quarter: Quarter
) -> list[Stretch]:
    """The parallel `thickness` behind the wall between the heights `low` and `high`, m; each column rises along it.

    Errors : InputError where the outside between these planes is not one smooth parallel: at an edge, where the wall
             bends outward more tightly than it is thick, narrows at the throat, or comes out behind the flange.
    """
    _check(surface, thickness, low, high)
    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    inner = []
    for stretch, cut in enumerate(surface.cuts[1:-1]):
        line = _height(surface, thickness, cut, psi, stretch)
        if line.min() > low + NEAR and line.max() < high - NEAR:
            inner.append((stretch, cut))
    ends: list[tuple[int, float] | float] = [low, *inner, high]
    return [_stretch(surface, thickness, one, other, quarter) for one, other in itertools.pairwise(ends)]


def _height(surface: Surface, thickness: float, cut: float, psi: FloatArray, stretch: int) -> FloatArray:
    """(C,), m: z of the parallel's line behind a line of the wall."""
    patch = surface.patch(np.array([cut]), psi, stretch=stretch)
    return np.asarray(patch.points[0, :, 2] - thickness * patch.normals[0, :, 2])


def _stretch(
    surface: Surface,
    thickness: float,
    one: tuple[int, float] | float,
    other: tuple[int, float] | float,
    quarter: Quarter,
) -> Stretch:
    def heights(end: tuple[int, float] | float, turn: FloatArray) -> FloatArray:
        if isinstance(end, tuple):
            return _height(surface, thickness, end[1], quarter.turns(np.array(end[1]), turn), end[0])
        return np.full(turn.shape, end)

    def points_at(share: FloatArray, turn: FloatArray) -> FloatArray:
        first, last = heights(one, turn), heights(other, turn)
        z = first + share[:, None] * (last - first)
        z[share >= 1.0] = last
        points, _, _ = at_heights(surface, thickness, z, turn, turns=quarter.turns)
        return on_planes(points / MILLIMETRE, turn)

    return points_at


def _check(surface: Surface, thickness: float, low: float, high: float) -> None:
    found = course(surface, thickness)
    heights, rows = found.heights, np.arange(len(found.depths))[:, None]
    above, under = heights > low + ROUNDING, heights < high - ROUNDING
    visible = above & under
    told = 'Leave --step out, or write kind = "block"'

    def refuse(row: int, what: str, remedy: str) -> None:
        z = found.depths[row] / MILLIMETRE
        raise InputError(f"--step: the outside of this shell {what} behind the wall at z_mm = {z:.4g}. {remedy} {told}")

    if above[0].any() and low <= ROUNDING:
        refuse(0, "begins above the throat plane, where the wall narrows,", "Let the wall open from the throat on.")
    if under[-1].any():
        behind = surface.depth - float(heights[-1].min())
        remedy = f"Write flange_thickness_mm = {mm(np.ceil(behind / MILLIMETRE - 1e-3) * MILLIMETRE)} or more."
        refuse(len(rows) - 1, "ends at the mouth behind its flange,", remedy)
    for start in found.cuts[1:]:
        turn = np.abs(_turns(surface, found.cuts.index(start) - 1))
        if turn.max() > SMOOTH and (visible[start - 1] | visible[start]).any():
            refuse(start, "has an edge", "Give the wall a radius there.")
    if (visible & (found.curvatures * thickness > TIGHT)).any():
        row = int(np.flatnonzero((visible & (found.curvatures * thickness > TIGHT)).any(axis=1))[0])
        refuse(row, f"folds: the wall bends outward more tightly than wall_mm = {mm(thickness)}", "Thin the wall.")
    falls = (np.diff(heights, axis=0) < -ROUNDING) & (visible[:-1] | visible[1:])
    if falls.any():
        refuse(int(np.flatnonzero(falls.any(axis=1))[0]), "runs back", "Thicken the flange.")


def _turns(surface: Surface, stretch: int) -> FloatArray:
    """rad, (C,): at the end of a stretch, see edge_turns."""
    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    cut = np.array([surface.cuts[stretch + 1]])
    return edge_turns(*(surface.patch(cut, psi, stretch=each, bends=False) for each in (stretch, stretch + 1)))
