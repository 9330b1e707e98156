"""Faces of an oblong part that are B-splines: stretches of its wall or outside, laid through points of the exact one,
mirrored.

Source : ISO 10303-214 (automotive design: advanced boundary representation).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.step_entities import StepFile, face, loop_of, real
from evenflare.manufacture.wall.parallel import Turns
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import RoundedRectangle
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.waveguide.oblong_body import Stretch as BodyStretch
from evenflare.waveguide.surface import Surface, depth_at

FIT = 1e-6
"""m, within which the splines are laid to the wall, where so many points as MOST let them."""
WORST = 10e-6
"""m; a wall that they do not follow so far is refused."""
FEWEST, MOST = 16, 128
"""Chords of a smooth stretch, and of a quarter, between whose ends a spline is laid; along it twice as many where WORST
is not kept otherwise.
"""
NARROWEST, ROUNDED_OFF = 0.15, 0.3
"""Of a rounded rectangle's sides at the mouth: below that share a face is wider than the side, which begins at nothing
at the throat; and by how much at the throat."""
QUARTERS = ((1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0))
"""Signs of x and y, counter-clockwise."""

Stretch = Callable[[FloatArray, FloatArray], FloatArray]
"""Points (R, C, 3), mm, of the first quarter at shares (R,) of the way from a stretch's lower end to its upper one, and
of the way round (C,), rad, see Quarter."""


@dataclass(frozen=True)
class Quarter:
    """A quarter of the wall as faces side by side, from one plane of symmetry to the other.

    cuts  : (B + 1,), rad, from 0 to pi / 2: the ways round between which a face lies.
    turns : the elliptic parameter (rad) of depths (m) and ways round. Where a section's curvature jumps a face ends at
            every depth.
    """

    cuts: tuple[float, ...]
    turns: Turns


@dataclass(frozen=True)
class SplineSheet:
    """A stretch over the first quarter: of each of its faces nodes (R, C, 3) in mm and knots around; knots along it."""

    poles: tuple[FloatArray, ...]
    around: tuple[FloatArray, ...]
    along: FloatArray


def quarter_of(surface: Surface) -> Quarter:
    """One face, or three where the sections are rounded rectangles: two sides and the corner between them."""
    section, mouth = surface.section, surface.mouth
    if not isinstance(section, RoundedRectangle) or len(section.turns(mouth)) < 2:
        return Quarter((0.0, 0.5 * np.pi), lambda depth, way: np.broadcast_arrays(depth, way)[1])
    ends = section.turns(mouth)
    cuts = (0.0, *ends, 0.5 * np.pi)

    def width(side: FloatArray, most: float) -> FloatArray:
        """A side's own, but never nothing, and smooth where it begins to be more."""
        least = NARROWEST * most
        missing = np.maximum(least - side, 0.0)
        return np.asarray(side + ROUNDED_OFF * missing**4 / least**3)

    def turns(depth: FloatArray, way: FloatArray) -> FloatArray:
        p, q = section.shares(depth, mouth=mouth)
        low = width(np.arctan(1.0 - q), ends[0])
        high = 0.5 * np.pi - width(np.arctan(1.0 - p), 0.5 * np.pi - ends[1])
        on_corner = low + (high - low) * (way - ends[0]) / (ends[1] - ends[0])
        on_top = high + (0.5 * np.pi - high) * (way - ends[1]) / (0.5 * np.pi - ends[1])
        return np.where(way <= ends[0], low * way / ends[0], np.where(way >= ends[1], on_top, on_corner))

    return Quarter(cuts, turns)


def fitted_sheets(stretches: Sequence[Stretch], quarter: Quarter, *, what: str) -> tuple[list[SplineSheet], float]:
    """Stretches as splines that share the lines in which they meet, and the greatest distance (m) from them to these,
    met four times as densely as their points.

    Errors : InputError for `what` splines do not follow within WORST.
    """
    rows = columns = FEWEST
    most_round = MOST if len(quarter.cuts) == 2 else MOST // 2
    while True:
        found = [_sheet(stretch, quarter, rows, columns) for stretch in stretches]
        along, around = (max(each[1][axis] for each in found) for axis in (0, 1))
        error = max(along, around)
        # Whichever way it lacks points.
        more = (rows * 2 if along > 0.5 * FIT else rows, columns * 2 if around > 0.5 * FIT else columns)
        more = (min(more[0], 2 * MOST), min(more[1], most_round))
        if error <= FIT or more == (rows, columns) or (error <= WORST and more[0] > MOST):
            break
        rows, columns = more
    if error > WORST:
        raise InputError(
            f"--step: splines follow {what} within {error / MILLIMETRE:.3g} mm only, must be {WORST / MILLIMETRE:g}."
            " Leave it out, or round the sections more"
        )
    sheets = [sheet for sheet, _ in found]
    for sheet in sheets:
        for one, other in itertools.pairwise(sheet.poles):
            other[:, 0] = one[:, -1]
    for before, after in itertools.pairwise(sheets):
        for low, high in zip(before.poles, after.poles, strict=True):
            high[0] = low[-1]
    return sheets, error


def _sheet(points_at: Stretch, quarter: Quarter, rows: int, columns: int) -> tuple[SplineSheet, tuple[float, float]]:
    """A stretch as splines through points at even shares and ways round, and the greatest distances (m) from them to it
    halfway between points, along it and around.
    """
    from scipy.interpolate import make_interp_spline

    share, poles, around, worst = np.linspace(0.0, 1.0, rows + 1), [], [], [0.0, 0.0]
    up_between = (np.arange(4 * rows) + 0.5) / (4 * rows)
    for low, high in itertools.pairwise(quarter.cuts):
        way = np.linspace(low, high, columns + 1)
        up = make_interp_spline(share, points_at(share, way), k=3, axis=0)
        turned_round = make_interp_spline(way, np.asarray(up.c), k=3, axis=1)
        poles.append(np.moveaxis(np.asarray(turned_round.c), 0, 1))
        around.append(np.asarray(turned_round.t))
        between = low + (high - low) * (np.arange(4 * columns) + 0.5) / (4 * columns)
        for axis, (shares, ways) in enumerate(((up_between, way[:: columns // 8]), (share[:: rows // 8], between))):
            laid = make_interp_spline(way, up(shares), k=3, axis=1)(ways)
            off = float(np.linalg.norm(laid - points_at(shares, ways), axis=-1).max() * MILLIMETRE)
            worst[axis] = max(worst[axis], off)
    return SplineSheet(tuple(poles), tuple(around), np.asarray(up.t)), (worst[0], worst[1])


def wall_stretch(surface: Surface, stretch: int, quarter: Quarter) -> Stretch:
    """A smooth stretch of the waveguide's wall, its shares even in its arc."""
    from scipy.interpolate import make_interp_spline

    t = np.linspace(0.0, 1.0, 513)

    def at_depths(depths: FloatArray, way: FloatArray) -> FloatArray:
        psi = quarter.turns(depths[:, None], way[None, :])
        return on_planes(surface.patch(depths, psi, stretch=stretch, bends=False).points / MILLIMETRE, way)

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


def body_stretch(body: OblongBody, stretch: BodyStretch, quarter: Quarter) -> Stretch:
    """A smooth stretch of a body's outside, away from the rim, its ways round those of the wall at the mouth."""
    depth = np.array([[body.surface.depth]])

    def points_at(share: FloatArray, way: FloatArray) -> FloatArray:
        psi = quarter.turns(depth, way[None, :])
        return on_planes(body.point_at(stretch, psi, share[:, None])[0] / MILLIMETRE, way)

    return points_at


def on_planes(points: FloatArray, turn: FloatArray) -> FloatArray:
    """Points (R, C, 3) of a quarter whose ends lie in the planes of symmetry: quarters share their edges to the last
    digit.
    """
    points[:, turn == 0.0, 1] = 0.0
    points[:, turn == 0.5 * np.pi, 0] = 0.0
    return points


def spline_faces(file: StepFile, sheets: list[SplineSheet], *, outward: bool) -> tuple[list[str], list[str], list[str]]:
    """The faces of stretches, those of four quarters to each, and the edges of their lower and upper end,
    counter-clockwise seen from the mouth. outward : whether they face away from the axis.
    """
    count = len(sheets[0].poles)
    pieces = [(turn, block if turn % 2 == 0 else count - 1 - block) for turn in range(4) for block in range(count)]
    last = len(sheets) - 1

    def level(j: int, block: int) -> FloatArray:
        return sheets[0].poles[block][:1] if j == 0 else sheets[j - 1].poles[block][-1:]

    corner, rings = list[list[str]](), list[list[str]]()
    for j in range(len(sheets) + 1):
        rows = [_quarter(level(j, block), turn)[0] for turn, block in pieces]
        corner.append([vertex(file, row[0]) for row in rows])
        ends = [*corner[j], corner[j][0]]
        rings.append(
            [
                _spline_edge(file, ends[i], ends[i + 1], row, sheets[min(j, last)].around[pieces[i][1]])
                for i, row in enumerate(rows)
            ]
        )
    faces = []
    for k, sheet in enumerate(sheets):
        placed = [_quarter(sheet.poles[block], turn) for turn, block in pieces]
        ups = [
            _spline_edge(file, corner[k][i], corner[k + 1][i], poles[:, 0], sheet.along)
            for i, poles in enumerate(placed)
        ]
        for i, poles in enumerate(placed):
            surface = _spline_surface(file, poles, sheet.along, sheet.around[pieces[i][1]])
            here, there, low, high = ups[i], ups[(i + 1) % len(ups)], rings[k][i], rings[k + 1][i]
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
