"""The faces round a part's outside for STEP: a cylinder or four sides, with a rebate or a rounded edge at the front."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.step import run_of
from evenflare.manufacture.part.step_entities import CurveRun, Ring, StepFile, face, loop_of, real, turned
from evenflare.manufacture.part.step_splines import vertex
from evenflare.units import MILLIMETRE, FloatArray

CORNERS = np.array([[1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0]])
"""Of a rectangle, counter-clockwise, over half its sides."""
ALONG = np.array([[0.0, 1.0], [-1.0, 0.0], [0.0, -1.0], [1.0, 0.0]])
"""From each corner to the next."""


def outside_faces(
    file: StepFile, sizes: OblongSizes, features: Features, top: float, back: float
) -> tuple[list[str], str, str]:
    """The faces round a block or flange from `top` down to `back` (mm), and the loops that bound its front and back."""
    width, deep, edge = (
        size / MILLIMETRE for size in (features.rebate_width, features.rebate_depth, features.edge_radius)
    )
    if sizes.flange_diameter is None:
        half = np.array([0.5 * (sizes.flange_width or 0.0), 0.5 * (sizes.flange_height or 0.0)]) / MILLIMETRE
        return _box(file, half, top, back, width=width, deep=deep, edge=edge)
    radius = 0.5 * sizes.flange_diameter / MILLIMETRE
    start, runs = (top, radius), list[CurveRun]()
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
            loops = [high.loop(file, forward=True), low.loop(file, forward=False)]
            faces.append(plane(file, run.start[0], True, loops, ()))
        else:
            faces += turned(file, run, low, high)
    return faces, rings[0].loop(file, forward=True), rings[-1].loop(file, forward=False)


def plane(file: StepFile, z: float, up: bool, loops: Sequence[str], through_it: Sequence[Ring]) -> str:
    """A face across the axis, within the first loop and outside the others and the holes that go through it."""
    surface = file.add(f"PLANE('',{file.placement(z, 1.0 if up else -1.0)})")
    return face(file, surface, True, [*loops, *(ring.loop(file, forward=not up) for ring in through_it)])


class _Rectangle:
    """A rectangle across the axis, as corners and edges."""

    def __init__(self, file: StepFile, half: FloatArray, z: float) -> None:
        self.places = np.column_stack([half * CORNERS, np.full(4, z)])
        self.corners = [vertex(file, place) for place in self.places]
        self.edges = [
            _line(file, self.corners[i], self.corners[(i + 1) % 4], self.places[i], np.append(ALONG[i], 0.0))
            for i in range(4)
        ]

    def loop(self, file: StepFile, *, forward: bool) -> str:
        """Once around, counter-clockwise seen from +z if `forward`."""
        return loop_of(file, [(edge, forward) for edge in (self.edges if forward else self.edges[::-1])])


def _line(file: StepFile, start: str, end: str, place: FloatArray, way: FloatArray) -> str:
    vector = file.add(f"VECTOR('',{file.direction(*way.tolist())},1.)")
    line = file.add(f"LINE('',{file.point(*place.tolist())},{vector})")
    return file.add(f"EDGE_CURVE('',{start},{end},{line},.T.)")


def _box(
    file: StepFile, half: FloatArray, top: float, back: float, *, width: float, deep: float, edge: float
) -> tuple[list[str], str, str]:
    """Four sides; above them the four quarter cylinders of a rounded edge, mitred at the corners, or a rebate's ledge
    and sides.
    """
    low = _Rectangle(file, half, back)
    if edge > 0.0:
        high, front = _Rectangle(file, half, top - edge), _Rectangle(file, half - edge, top)
        faces = [*_sides(file, low, high), *_rounded(file, high, front, edge)]
    elif width > 0.0 and deep > 0.0:
        high, ledge = _Rectangle(file, half, top - deep), _Rectangle(file, half - width, top - deep)
        front = _Rectangle(file, half - width, top)
        flat = plane(file, top - deep, True, [high.loop(file, forward=True), ledge.loop(file, forward=False)], ())
        faces = [*_sides(file, low, high), flat, *_sides(file, ledge, front)]
    else:
        front = _Rectangle(file, half, top)
        faces = _sides(file, low, front)
    return faces, front.loop(file, forward=True), low.loop(file, forward=False)


def _sides(file: StepFile, low: _Rectangle, high: _Rectangle) -> list[str]:
    up = np.array([0.0, 0.0, 1.0])
    posts = [_line(file, low.corners[i], high.corners[i], low.places[i], up) for i in range(4)]
    surfaces = []
    for i in range(4):
        (x, y), place = ALONG[i].tolist(), file.point(*low.places[i].tolist())
        axes = f"{file.direction(y, -x, 0.0)},{file.direction(x, y, 0.0)}"
        axes = file.add(f"AXIS2_PLACEMENT_3D('',{place},{axes})")
        surfaces.append(file.add(f"PLANE('',{axes})"))
    return _around(file, low, high, posts, surfaces)


def _rounded(file: StepFile, low: _Rectangle, high: _Rectangle, radius: float) -> list[str]:
    """Quarter cylinders along the sides; two of one radius meet in an ellipse, in the plane of the mitre."""
    posts, surfaces = [], []
    for i in range(4):
        middle = np.append(high.places[i, :2], low.places[i, 2])
        (x, y), out = ALONG[i].tolist(), CORNERS[i] / np.sqrt(2.0)
        place = file.point(*middle.tolist())
        axes = f"{file.direction(x, y, 0.0)},{file.direction(y, -x, 0.0)}"
        axes = file.add(f"AXIS2_PLACEMENT_3D('',{place},{axes})")
        surfaces.append(file.add(f"CYLINDRICAL_SURFACE('',{axes},{real(radius)})"))
        mitre = f"{file.direction(out[1], -out[0], 0.0)},{file.direction(out[0], out[1], 0.0)}"
        mitre = file.add(f"AXIS2_PLACEMENT_3D('',{place},{mitre})")
        ellipse = file.add(f"ELLIPSE('',{mitre},{real(np.sqrt(2.0) * radius)},{real(radius)})")
        posts.append(file.add(f"EDGE_CURVE('',{low.corners[i]},{high.corners[i]},{ellipse},.T.)"))
    return _around(file, low, high, posts, surfaces)


def _around(file: StepFile, low: _Rectangle, high: _Rectangle, posts: list[str], surfaces: list[str]) -> list[str]:
    faces = []
    for i, surface in enumerate(surfaces):
        way = [(low.edges[i], True), (posts[(i + 1) % 4], True), (high.edges[i], False), (posts[i], False)]
        faces.append(face(file, surface, True, [loop_of(file, way)]))
    return faces
