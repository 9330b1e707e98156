"""Faces of an oblong part that are B-splines: stretches of its wall, laid through points of the exact one, mirrored.

Source : ISO 10303-214 (automotive design: advanced boundary representation).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.step_entities import StepFile, face, loop_of, real
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.surface import Surface, depth_at

FIT = 1e-6
"""m, within which the splines are laid to the wall, where so many points as MOST let them."""
WORST = 10e-6
"""m; a wall that they do not follow so far is refused."""
FEWEST, MOST, MOST_AROUND = 16, 128, 512
"""Chords of a smooth stretch, between whose ends a spline is laid; of a quarter up to four times as many, since the
curvature of a rounded rectangle's section jumps where its sides run into its corners."""
QUARTERS = ((1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0))
"""Signs of x and y, counter-clockwise."""

Stretch = Callable[[FloatArray, FloatArray], FloatArray]
"""Points (R, C, 3), mm, of the first quarter at shares (R,) of the way from a stretch's lower end to its upper one, and
elliptic parameters (C,), rad."""


@dataclass(frozen=True)
class SplineSheet:
    """A stretch over the first quarter: nodes (R, C, 3) in mm, and knots along it and around."""

    poles: FloatArray
    along: FloatArray
    around: FloatArray


def fitted_sheets(stretches: Sequence[Stretch], *, what: str) -> tuple[list[SplineSheet], float]:
    """Stretches as splines that share the lines in which they meet, and the greatest distance (m) from them to these,
    met four times as densely as their points.

    Errors : InputError for `what` splines do not follow within WORST.
    """
    rows = columns = FEWEST
    while True:
        found = [_sheet(stretch, rows, columns) for stretch in stretches]
        along, around = (max(each[1][axis] for each in found) for axis in (0, 1))
        error = max(along, around)
        # Whichever way it lacks points.
        more = (rows * 2 if along > 0.5 * FIT else rows, columns * 2 if around > 0.5 * FIT else columns)
        more = (min(more[0], MOST), min(more[1], MOST_AROUND))
        # Beyond the chords that a smooth wall takes only what is asked for at the worst is worth a larger file.
        if error <= FIT or more == (rows, columns) or (error <= WORST and more[1] > MOST):
            break
        rows, columns = more
    if error > WORST:
        raise InputError(
            f"--step: splines follow {what} within {error / MILLIMETRE:.3g} mm only, must be {WORST / MILLIMETRE:g}."
            " Leave it out, or round the sections more"
        )
    sheets = [sheet for sheet, _ in found]
    for before, after in itertools.pairwise(sheets):
        after.poles[0] = before.poles[-1]
    return sheets, error


def _sheet(points_at: Stretch, rows: int, columns: int) -> tuple[SplineSheet, tuple[float, float]]:
    """A stretch as splines through points at even shares and parameters, and the greatest distances (m) from them to it
    halfway between points, along it and around.
    """
    from scipy.interpolate import make_interp_spline

    share, psi = np.linspace(0.0, 1.0, rows + 1), np.linspace(0.0, 0.5 * np.pi, columns + 1)
    up = make_interp_spline(share, points_at(share, psi), k=3, axis=0)
    turned_round = make_interp_spline(psi, np.asarray(up.c), k=3, axis=1)
    poles = np.moveaxis(np.asarray(turned_round.c), 0, 1)

    def departure(shares: FloatArray, turn: FloatArray) -> float:
        laid = make_interp_spline(psi, up(shares), k=3, axis=1)(turn)
        return float(np.linalg.norm(laid - points_at(shares, turn), axis=-1).max() * MILLIMETRE)

    between = (np.arange(4 * rows) + 0.5) / (4 * rows), (np.arange(4 * columns) + 0.5) / (4 * columns) * 0.5 * np.pi
    errors = departure(between[0], psi[:: columns // 8]), departure(share[:: rows // 8], between[1])
    return SplineSheet(poles, np.asarray(up.t), np.asarray(turned_round.t)), errors


def wall_stretch(surface: Surface, stretch: int) -> Stretch:
    """A smooth stretch of the waveguide's wall, its shares even in its arc."""
    from scipy.interpolate import make_interp_spline

    t = np.linspace(0.0, 1.0, 513)

    def at_depths(depths: FloatArray, turn: FloatArray) -> FloatArray:
        return on_planes(surface.patch(depths, turn, stretch=stretch).points / MILLIMETRE, turn)

    fine = at_depths(depth_at(surface, stretch, t), np.linspace(0.0, 0.5 * np.pi, 9))
    length = np.linalg.norm(np.diff(fine, axis=0), axis=-1).mean(axis=1)
    arc = make_interp_spline(t, np.concatenate([[0.0], np.cumsum(length)]) / length.sum(), k=3)

    def points_at(share: FloatArray, turn: FloatArray) -> FloatArray:
        low, high = np.zeros_like(share), np.ones_like(share)
        for _ in range(50):
            middle = 0.5 * (low + high)
            below = arc(middle) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        ends = np.where(share >= 1.0, 1.0, np.where(share <= 0.0, 0.0, low))
        return at_depths(depth_at(surface, stretch, ends), turn)

    return points_at


def on_planes(points: FloatArray, turn: FloatArray) -> FloatArray:
    """Points (R, C, 3) of a quarter whose ends lie in the planes of symmetry: quarters share their edges to the last
    digit.
    """
    points[:, turn == 0.0, 1] = 0.0
    points[:, turn == 0.5 * np.pi, 0] = 0.0
    return points


def spline_faces(file: StepFile, sheets: list[SplineSheet], *, outward: bool) -> tuple[list[str], list[str], list[str]]:
    """The faces of stretches, four to each, and the edges of their lower and upper end, counter-clockwise seen from the
    mouth. outward : whether they face away from the axis.
    """
    levels = [sheets[0].poles[0], *(sheet.poles[-1] for sheet in sheets)]
    corner = [[vertex(file, _quarter(level[None], turn)[0, 0]) for turn in range(4)] for level in levels]
    rings = [
        [
            _spline_edge(
                file, corner[j][turn], corner[j][(turn + 1) % 4], _quarter(level[None], turn)[0], sheets[0].around
            )
            for turn in range(4)
        ]
        for j, level in enumerate(levels)
    ]
    faces = []
    for k, sheet in enumerate(sheets):
        ups = [
            _spline_edge(file, corner[k][turn], corner[k + 1][turn], _quarter(sheet.poles, turn)[:, 0], sheet.along)
            for turn in range(4)
        ]
        for turn in range(4):
            surface = _spline_surface(file, _quarter(sheet.poles, turn), sheet.along, sheet.around)
            here, there, low, high = ups[turn], ups[(turn + 1) % 4], rings[k][turn], rings[k + 1][turn]
            way = [(here, True), (high, True), (there, False), (low, False)]
            if outward:
                way = [(low, True), (there, True), (high, False), (here, False)]
            faces.append(face(file, surface, not outward, [loop_of(file, way)]))
    return faces, rings[0], rings[-1]


def _quarter(poles: FloatArray, turn: int) -> FloatArray:
    """Poles (R, C, 3) of the first quarter, mirrored into another, counter-clockwise."""
    mirrored = poles * (*QUARTERS[turn], 1.0)
    return np.asarray(mirrored if turn % 2 == 0 else mirrored[:, ::-1])


def vertex(file: StepFile, place: FloatArray) -> str:
    """A corner of edges, mm."""
    return file.add(f"VERTEX_POINT('',{file.point(*place.tolist())})")


def _spline_edge(file: StepFile, start: str, end: str, poles: FloatArray, knots: FloatArray) -> str:
    points = ",".join(file.point(*place) for place in poles.tolist())
    times, values = _knots(knots)
    curve = file.add(f"B_SPLINE_CURVE_WITH_KNOTS('',3,({points}),.UNSPECIFIED.,.F.,.F.,{times},{values},.UNSPECIFIED.)")
    return file.add(f"EDGE_CURVE('',{start},{end},{curve},.T.)")


def _spline_surface(file: StepFile, poles: FloatArray, along: FloatArray, around: FloatArray) -> str:
    rows = ",".join(f"({','.join(file.point(*place) for place in row)})" for row in poles.tolist())
    (times, values), (times_round, values_round) = _knots(along), _knots(around)
    return file.add(
        f"B_SPLINE_SURFACE_WITH_KNOTS('',3,3,({rows}),.UNSPECIFIED.,.F.,.F.,.F.,"
        f"{times},{times_round},{values},{values_round},.UNSPECIFIED.)"
    )


def _knots(knots: FloatArray) -> tuple[str, str]:
    """How often each knot counts, and the knots."""
    values, counts = np.unique(knots, return_counts=True)
    return f"({','.join(map(str, counts.tolist()))})", f"({','.join(map(real, values.tolist()))})"
