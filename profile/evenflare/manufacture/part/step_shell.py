"""The outside of a shell around an oblong waveguide as stretches for splines: the wall's parallel between planes, with
what is behind edges.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import NoReturn

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.step_edges import crease, edge_patch, fan
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
_RADIUS = "Give the wall a radius there."


End = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""A line in which a piece of the outside ends: of ways round (C,) its heights (C,), m, and the ways round (C,) of the
wall that lead there."""


def outside_stretches(
    surface: Surface, thickness: float, low: float, high: float, *, quarter: Quarter
) -> list[Stretch]:
    """The parallel `thickness` behind the wall between the heights `low` and `high`, m; each column rises along it.

    Behind an edge it has a fan where the wall turns toward the axis, a crease where it turns away from it.
    Errors : InputError where the outside is not so: where the wall bends outward more tightly than it is thick, narrows
             at the throat, or comes out behind the flange; where an edge turns one way here and the other there, or its
             fan or crease goes through a plane that bounds the outside.
    """
    _check(surface, thickness, low, high)
    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    found, first, lower = list[Stretch](), 0, _level(low)
    for stretch in range(len(surface.cuts) - 2):
        turn = _turns(surface, stretch)
        if np.abs(turn).max() <= SMOOTH:
            continue
        below, above = _edge(surface, thickness, stretch, quarter, turn)
        lines = [each(psi)[0] for each in (below, above)]
        if max(line.max() for line in lines) <= low:
            first, lower = stretch + 1, _level(low)
            continue
        if min(line.min() for line in lines) >= high:
            return found + _run(surface, thickness, (first, stretch), (lower, _level(high)), quarter)
        if min(line.min() for line in lines) < low + NEAR or max(line.max() for line in lines) > high - NEAR:
            _refuse(surface.cuts[stretch + 1], "has an edge that meets its flange or its end", _RADIUS)
        if (lower(psi)[0] > lines[0] - NEAR).any():
            _refuse(surface.cuts[stretch + 1], "has two edges that meet", _RADIUS)
        found += _run(surface, thickness, (first, stretch), (lower, below), quarter)
        if turn.max() < 0.0:
            found.append(fan(surface, thickness, stretch, quarter))
        first, lower = stretch + 1, above
    return found + _run(surface, thickness, (first, len(surface.cuts) - 2), (lower, _level(high)), quarter)


def _level(z: float) -> End:
    return lambda turn: (np.full(turn.shape, z), turn)


def _line(surface: Surface, thickness: float, stretch: int, side: int, quarter: Quarter) -> End:
    """The parallel's line behind the end of a stretch, as the stretch `side` has it."""

    def line(turn: FloatArray) -> tuple[FloatArray, FloatArray]:
        patch = edge_patch(surface, stretch, side, turn, quarter)
        return np.asarray(patch.points[0, :, 2] - thickness * patch.normals[0, :, 2]), turn

    return line


def _edge(surface: Surface, thickness: float, stretch: int, quarter: Quarter, turn: FloatArray) -> tuple[End, End]:
    """Where the outside ends below and begins again above the edge at the end of a stretch: see edge_turns."""
    if turn.max() < 0.0:
        below, above = (_line(surface, thickness, stretch, side, quarter) for side in (stretch, stretch + 1))
        return below, above
    if turn.min() <= 0.0:
        _refuse(
            surface.cuts[stretch + 1], "has an edge that is none all round, or turns one way and the other", _RADIUS
        )

    def side(number: int) -> End:
        def line(ways: FloatArray) -> tuple[FloatArray, FloatArray]:
            z, *own = crease(surface, thickness, stretch, ways, quarter)
            return z, own[number]

        return line

    return side(0), side(1)


def _run(
    surface: Surface, thickness: float, run: tuple[int, int], ends: tuple[End, End], quarter: Quarter
) -> list[Stretch]:
    """The outside behind stretches of the wall, from the first to the last, that join smoothly."""
    psi, inner = np.linspace(0.0, 0.5 * np.pi, _COLUMNS), list[End]()
    low, high = (end(psi)[0] for end in ends)
    for stretch in range(*run):
        line = _line(surface, thickness, stretch, stretch, quarter)
        z = line(psi)[0]
        if (z > low + NEAR).all() and (z < high - NEAR).all():
            inner.append(line)
    every = [ends[0], *inner, ends[1]]
    return [_stretch(surface, thickness, run, pair, quarter) for pair in itertools.pairwise(every)]


def _stretch(
    surface: Surface, thickness: float, run: tuple[int, int], ends: tuple[End, End], quarter: Quarter
) -> Stretch:
    def points_at(share: FloatArray, turn: FloatArray) -> FloatArray:
        (first, low), (last, high) = (end(turn) for end in ends)
        up = share[:, None]
        z, ways = first + up * (last - first), low + up * (high - low)
        z[share >= 1.0], ways[share >= 1.0] = last, high
        points, _, _ = at_heights(surface, thickness, z, ways, turns=quarter.turns, run=run)
        return on_planes(points / MILLIMETRE, turn)

    return points_at


def _refuse(depth: float, what: str, remedy: str) -> NoReturn:
    raise InputError(
        f"--step: the outside of this shell {what} behind the wall at z_mm = {depth / MILLIMETRE:.4g}. {remedy} Leave"
        ' --step out, or write kind = "block"'
    )


def _check(surface: Surface, thickness: float, low: float, high: float) -> None:
    found = course(surface, thickness)
    heights, rows = found.heights, np.arange(len(found.depths))[:, None]
    above, under = heights > low + ROUNDING, heights < high - ROUNDING
    visible = above & under

    def refuse(row: int, what: str, remedy: str) -> None:
        _refuse(float(found.depths[row]), what, remedy)

    if above[0].any() and low <= ROUNDING:
        refuse(0, "begins above the throat plane, where the wall narrows,", "Let the wall open from the throat on.")
    if under[-1].any():
        behind = surface.depth - float(heights[-1].min())
        remedy = f"Write flange_thickness_mm = {mm(np.ceil(behind / MILLIMETRE - 1e-3) * MILLIMETRE)} or more."
        refuse(len(rows) - 1, "ends at the mouth behind its flange,", remedy)
    if (visible & (found.curvatures * thickness > TIGHT)).any():
        row = int(np.flatnonzero((visible & (found.curvatures * thickness > TIGHT)).any(axis=1))[0])
        refuse(row, f"folds: the wall bends outward more tightly than wall_mm = {mm(thickness)}", "Thin the wall.")
    falls = (np.diff(heights, axis=0) < -ROUNDING) & (visible[:-1] | visible[1:])
    for stretch, start in enumerate(found.cuts[1:]):
        # Behind an edge two parallels overlap, as far as their crease.
        falls[start - 1] &= np.abs(_turns(surface, stretch)).max() <= SMOOTH
    if falls.any():
        refuse(int(np.flatnonzero(falls.any(axis=1))[0]), "runs back", "Thicken the flange.")


def _turns(surface: Surface, stretch: int) -> FloatArray:
    """rad, (C,): at the end of a stretch, see edge_turns."""
    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    cut = np.array([surface.cuts[stretch + 1]])
    return edge_turns(*(surface.patch(cut, psi, stretch=each, bends=False) for each in (stretch, stretch + 1)))
