"""A block around an oblong waveguide as a STEP file with true surfaces: its wall is B-splines, their error measured."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.step import run_of
from evenflare.manufacture.part.step_entities import (
    CurveRun,
    Ring,
    StepFile,
    blind,
    document,
    drilled,
    face,
    loop_of,
    real,
    through,
    turned,
)
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.surface import Surface, depth_at

FIT = 1e-6
"""m, within which the splines are laid to the wall, where so many points as MOST let them."""
WORST = 10e-6
"""m; a wall that they do not follow so far is refused."""
FEWEST, MOST = 16, 128
"""Chords of a smooth stretch, and of a quarter, between whose ends a spline is laid."""
QUARTERS = ((1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0))
"""Signs of x and y, counter-clockwise."""


@dataclass(frozen=True)
class _Sheet:
    """A stretch of the wall over the first quarter: nodes (R, C, 3) in mm, and knots along it and around."""

    poles: FloatArray
    along: FloatArray
    around: FloatArray


def write_oblong_step(
    surface: Surface, sizes: OblongSizes, path: Path, *, title: str, features: Features = PLAIN
) -> float:
    """Write the block around an oblong waveguide as STEP in mm: z = 0 the throat plane, as solid.stl.

    features : fitted to the part.
    Returns the greatest distance (m) from the splines to the exact wall, met four times as densely as their points.
    Errors : InputError for a shell, a rectangular part with a rebate or a rounded edge, a wall that splines do not
             follow within WORST, or if the file cannot be written.
    Source : ISO 10303-21 (text), ISO 10303-214 (automotive design: advanced boundary representation).
    """
    if sizes.kind == "shell":
        raise InputError(
            '--step: shells around oblong waveguides are not written. Leave it out, or write kind = "block"'
        )
    if features.has_rim and sizes.flange_diameter is None:
        raise InputError(
            "--step: a rectangular part's rebate or rounded edge is not written. Leave it out, or write"
            " flange_diameter_mm for a round part"
        )
    sheets, error = _fitted(surface)
    file = StepFile()
    faces, mouth, throat = _wall(file, sheets)
    made, openings = drilled(file, [*blind(features), *through(sizes, features, surface.depth)])
    top, back = surface.depth / MILLIMETRE, -features.seat.depth / MILLIMETRE
    outside, front_rim, back_rim = _outside(file, sizes, features, top, back)
    holes = [ring for _, ring in openings]
    heights = np.array([opening.start[0] for opening, _ in openings])

    def within(z: float) -> list[Ring]:
        return [ring for ring, at_height in zip(holes, heights, strict=True) if abs(at_height - z) < 1e-6]

    faces += [*made, *outside]
    mouth_loop = loop_of(file, [(edge, False) for edge in mouth[::-1]])
    faces.append(_plane(file, top, True, [front_rim, mouth_loop], within(top)))
    throat_loop = loop_of(file, [(edge, True) for edge in throat])
    if features.seat.depth > 0.0:
        recess = CurveRun(
            (back, 0.5 * features.seat.diameter / MILLIMETRE), (0.0, 0.5 * features.seat.diameter / MILLIMETRE)
        )
        low, high = Ring(file, recess, recess.start), Ring(file, recess, recess.end)
        faces += turned(file, recess, low, high)
        faces.append(_plane(file, 0.0, False, [high.loop(file, forward=False), throat_loop], within(0.0)))
        throat_loop = low.loop(file, forward=True)
    faces.append(_plane(file, back, False, [back_rim, throat_loop], within(back)))
    write_text(path, document(file, faces, title=title))
    return error


def _fitted(surface: Surface) -> tuple[list[_Sheet], float]:
    """The wall's stretches as splines, and the greatest distance (m) from them to it."""
    rows = columns = FEWEST
    while True:
        found = [_sheet(surface, stretch, rows, columns) for stretch in range(len(surface.cuts) - 1)]
        along, around = (max(each[1][axis] for each in found) for axis in (0, 1))
        error = max(along, around)
        # Whichever way it lacks points.
        more = (rows * 2 if along > 0.5 * FIT else rows, columns * 2 if around > 0.5 * FIT else columns)
        if error <= FIT or max(more) > MOST or more == (rows, columns):
            break
        rows, columns = more
    if error > WORST:
        raise InputError(
            f"--step: splines follow this wall within {error / MILLIMETRE:.3g} mm only, must be {WORST / MILLIMETRE:g}."
            " Leave it out, or round the sections more"
        )
    return _joined([sheet for sheet, _ in found]), error


def _sheet(surface: Surface, stretch: int, rows: int, columns: int) -> tuple[_Sheet, tuple[float, float]]:
    """A stretch as splines through points even in its arc and in the elliptic parameter, and the greatest distances (m)
    from them to the wall halfway between points, along it and around.
    """
    from scipy.interpolate import make_interp_spline

    t, psi = np.linspace(0.0, 1.0, 513), np.linspace(0.0, 0.5 * np.pi, columns + 1)

    def points_at(depths: FloatArray, turn: FloatArray) -> FloatArray:
        points = surface.patch(depths, turn, stretch=stretch).points / MILLIMETRE
        # Planes of symmetry: quarters share their edges to the last digit.
        points[:, turn == 0.0, 1] = 0.0
        points[:, turn == 0.5 * np.pi, 0] = 0.0
        return np.asarray(points)

    fine = points_at(depth_at(surface, stretch, t), psi[:: columns // 8])
    length = np.linalg.norm(np.diff(fine, axis=0), axis=-1).mean(axis=1)
    arc = make_interp_spline(t, np.concatenate([[0.0], np.cumsum(length)]) / length.sum(), k=3)

    def depths_at(share: FloatArray) -> FloatArray:
        low, high = np.zeros_like(share), np.ones_like(share)
        for _ in range(50):
            middle = 0.5 * (low + high)
            below = arc(middle) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return depth_at(surface, stretch, np.where(share >= 1.0, 1.0, np.where(share <= 0.0, 0.0, low)))

    share = np.linspace(0.0, 1.0, rows + 1)
    up = make_interp_spline(share, points_at(depths_at(share), psi), k=3, axis=0)
    turned_round = make_interp_spline(psi, np.asarray(up.c), k=3, axis=1)
    poles = np.moveaxis(np.asarray(turned_round.c), 0, 1)

    def departure(shares: FloatArray, turn: FloatArray) -> float:
        laid = make_interp_spline(psi, up(shares), k=3, axis=1)(turn)
        return float(np.linalg.norm(laid - points_at(depths_at(shares), turn), axis=-1).max() * MILLIMETRE)

    between = (np.arange(4 * rows) + 0.5) / (4 * rows), (np.arange(4 * columns) + 0.5) / (4 * columns) * 0.5 * np.pi
    errors = departure(between[0], psi[:: columns // 8]), departure(share[:: rows // 8], between[1])
    return _Sheet(poles, np.asarray(up.t), np.asarray(turned_round.t)), errors


def _joined(sheets: list[_Sheet]) -> list[_Sheet]:
    """Sheets that share the poles of the line in which they meet."""
    for before, after in itertools.pairwise(sheets):
        after.poles[0] = before.poles[-1]
    return sheets


def _wall(file: StepFile, sheets: list[_Sheet]) -> tuple[list[str], list[str], list[str]]:
    """The wall's faces, four to a stretch, and the edges of mouth and throat, counter-clockwise seen from the mouth."""
    levels = [sheets[0].poles[0], *(sheet.poles[-1] for sheet in sheets)]
    corner = [[_vertex(file, _quarter(level[None], turn)[0, 0]) for turn in range(4)] for level in levels]
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
            way = [(ups[turn], True), (rings[k + 1][turn], True), (ups[(turn + 1) % 4], False), (rings[k][turn], False)]
            faces.append(face(file, surface, True, [loop_of(file, way)]))
    return faces, rings[-1], rings[0]


def _quarter(poles: FloatArray, turn: int) -> FloatArray:
    """Poles (R, C, 3) of the first quarter, mirrored into another, counter-clockwise."""
    mirrored = poles * (*QUARTERS[turn], 1.0)
    return np.asarray(mirrored if turn % 2 == 0 else mirrored[:, ::-1])


def _vertex(file: StepFile, place: FloatArray) -> str:
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


def _plane(file: StepFile, z: float, up: bool, loops: Sequence[str], through_it: Sequence[Ring]) -> str:
    """A face across the axis, within the first loop and outside the others and the holes that go through it."""
    surface = file.add(f"PLANE('',{file.placement(z, 1.0 if up else -1.0)})")
    return face(file, surface, True, [*loops, *(ring.loop(file, forward=not up) for ring in through_it)])


def _outside(
    file: StepFile, sizes: OblongSizes, features: Features, top: float, back: float
) -> tuple[list[str], str, str]:
    """The faces round a block from `top` to `back` (mm), and the loops that bound its front and its back."""
    if sizes.flange_diameter is None:
        return _box(
            file,
            0.5 * (sizes.flange_width or 0.0) / MILLIMETRE,
            0.5 * (sizes.flange_height or 0.0) / MILLIMETRE,
            top,
            back,
        )
    radius = 0.5 * sizes.flange_diameter / MILLIMETRE
    width, deep = features.rebate_width / MILLIMETRE, features.rebate_depth / MILLIMETRE
    edge, start = features.edge_radius / MILLIMETRE, (top, radius)
    runs = list[CurveRun]()
    if edge > 0.0:
        turn = np.linspace(0.0, 0.5 * np.pi, 181)
        runs.append(run_of(np.column_stack([top - edge + edge * np.cos(turn), radius - edge + edge * np.sin(turn)])))
    elif features.has_rim:
        inner = radius - width
        runs += [CurveRun((top, inner), (top - deep, inner)), CurveRun((top - deep, inner), (top - deep, radius))]
    start = runs[-1].end if runs else start
    runs.append(CurveRun(start, (back, radius)))
    rings = [Ring(file, run, run.start) for run in runs] + [Ring(file, runs[-1], runs[-1].end)]
    faces = list[str]()
    for run, (low, high) in zip(runs, itertools.pairwise(rings), strict=True):
        if run.is_flat:
            faces.append(
                _plane(file, run.start[0], True, [high.loop(file, forward=True), low.loop(file, forward=False)], ())
            )
        else:
            faces += turned(file, run, low, high)
    return faces, rings[0].loop(file, forward=True), rings[-1].loop(file, forward=False)


def _box(file: StepFile, x: float, y: float, top: float, back: float) -> tuple[list[str], str, str]:
    corners = np.array([[x, -y], [x, y], [-x, y], [-x, -y]])
    ends = [[_vertex(file, np.array([*corner, z])) for corner in corners] for z in (back, top)]
    sides = np.roll(corners, -1, axis=0) - corners
    sides = sides / np.linalg.norm(sides, axis=1, keepdims=True)

    def edge(start: str, end: str, place: FloatArray, way: FloatArray) -> str:
        vector = file.add(f"VECTOR('',{file.direction(*way.tolist())},1.)")
        line = file.add(f"LINE('',{file.point(*place.tolist())},{vector})")
        return file.add(f"EDGE_CURVE('',{start},{end},{line},.T.)")

    rims = [
        [
            edge(ends[level][i], ends[level][(i + 1) % 4], np.array([*corners[i], z]), np.array([*sides[i], 0.0]))
            for i in range(4)
        ]
        for level, z in enumerate((back, top))
    ]
    up = np.array([0.0, 0.0, 1.0])
    posts = [edge(ends[0][i], ends[1][i], np.array([*corners[i], back]), up) for i in range(4)]
    faces = []
    for i in range(4):
        (along_x, along_y), (corner_x, corner_y) = sides[i].tolist(), corners[i].tolist()
        place = file.point(corner_x, corner_y, back)
        axes = f"{file.direction(along_y, -along_x, 0.0)},{file.direction(along_x, along_y, 0.0)}"
        axes = file.add(f"AXIS2_PLACEMENT_3D('',{place},{axes})")
        surface = file.add(f"PLANE('',{axes})")
        way = [(rims[0][i], True), (posts[(i + 1) % 4], True), (rims[1][i], False), (posts[i], False)]
        faces.append(face(file, surface, True, [loop_of(file, way)]))
    front = loop_of(file, [(edge, True) for edge in rims[1]])
    return faces, front, loop_of(file, [(edge, False) for edge in rims[0][::-1]])
