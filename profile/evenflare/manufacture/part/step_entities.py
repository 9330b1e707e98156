"""What a STEP file is written with: its entities, circles, faces turned about an axis, holes, and the text round them.

Source : ISO 10303-21 (text), ISO 10303-214 (automotive design: advanced boundary representation).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from evenflare import __version__
from evenflare.manufacture.part.bolts import bolt_places, front_places
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.text import one_line
from evenflare.units import MILLIMETRE, FloatArray


def document(file: StepFile, faces: Sequence[str], *, title: str) -> str:
    """The text of a file with one solid of those faces.

    Source : ISO 10303-21 (text), ISO 10303-214 (automotive design: advanced boundary representation).
    """
    shell = file.add(f"CLOSED_SHELL('',({','.join(faces)}))")
    name = encoded(one_line(title))
    solid = file.add(f"MANIFOLD_SOLID_BREP('solid',{shell})")
    _product(file, solid, name)
    lines = "\n".join(f"#{number}={text};" for number, text in enumerate(file.lines, start=1))
    return (
        "ISO-10303-21;\nHEADER;\n"
        f"FILE_DESCRIPTION(('{name}'),'2;1');\n"
        # Without the time of day: the same design gives the same file.
        f"FILE_NAME('{name}','1970-01-01T00:00:00',(''),(''),'evenflare {__version__}','evenflare','');\n"
        "FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));\n"
        f"ENDSEC;\nDATA;\n{lines}\nENDSEC;\nEND-ISO-10303-21;\n"
    )


def encoded(text: str) -> str:
    """A text as it stands between the quotation marks of a string (ISO 10303-21, 6.4.3): plain letters as they are, the
    rest by number. The apostrophe too: some readers stumble over a doubled one before a comma.
    """
    found = []
    for each in text:
        code = ord(each)
        if 32 <= code < 127 and each not in "'\\":
            found.append(each)
        else:
            found.append(f"\\X2\\{code:04X}\\X0\\" if code < 0x10000 else f"\\X4\\{code:08X}\\X0\\")
    return "".join(found)


@dataclass
class StepFile:
    """Entities, numbered as they are added; equal ones are one."""

    lines: list[str] = field(default_factory=list)
    known: dict[str, str] = field(default_factory=dict)

    def add(self, text: str) -> str:
        """The number of an entity, as other entities refer to it."""
        if text not in self.known:
            self.lines.append(text)
            self.known[text] = f"#{len(self.lines)}"
        return self.known[text]

    def point(self, x: float, y: float, z: float) -> str:
        """A place, mm."""
        return self.add(f"CARTESIAN_POINT('',({real(x)},{real(y)},{real(z)}))")

    def direction(self, x: float, y: float, z: float) -> str:
        """A unit vector."""
        return self.add(f"DIRECTION('',({real(x)},{real(y)},{real(z)}))")

    def placement(self, z: float, up: float, x: float = 0.0, y: float = 0.0) -> str:
        """Axes at a place, mm: the third along z, up (1) or down (-1)."""
        axis, across = self.direction(0.0, 0.0, up), self.direction(1.0, 0.0, 0.0)
        return self.add(f"AXIS2_PLACEMENT_3D('',{self.point(x, y, z)},{axis},{across})")


@dataclass(frozen=True)
class Hole:
    """A hole along the axis, m: its middle, and its half-section (z, r) from its lower end up.

    blind : closed above by a plane; else open at both ends.
    """

    x: float
    y: float
    profile: tuple[tuple[float, float], ...]
    blind: bool


def blind(features: Features) -> list[Hole]:
    """The holes of the driver's bolts."""
    seat = features.seat
    if not (seat.is_cut and seat.bolts):
        return []
    radius = 0.5 * seat.hole_diameter
    return [Hole(x, y, ((0.0, radius), (seat.hole_depth, radius)), True) for x, y in bolt_places(seat)]


def through(sizes: Sizes | OblongSizes, features: Features, top: float) -> list[Hole]:
    """The holes of the front, which is at a height `top` (m)."""
    front, radius = features.front, 0.5 * features.front.diameter
    low = top - sizes.flange_thickness if sizes.kind == "shell" else -features.seat.depth
    upper: tuple[tuple[float, float], ...] = ((top, radius),)
    if front.countersink > 0.0:
        upper = ((top - front.countersink_depth, radius), (top, 0.5 * front.countersink))
    return [Hole(x, y, ((low, radius), *upper), False) for x, y in front_places(sizes, front)]


@dataclass(frozen=True)
class CurveRun:
    """A smooth stretch of a half-section in mm: its ends (z, r), and poles (N, 2) and knots of a spline, or a line.

    x, y : of the axis that it is turned about.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    poles: FloatArray | None = None
    knots: FloatArray | None = None
    x: float = 0.0
    y: float = 0.0

    @property
    def is_flat(self) -> bool:
        """Whether it turns into a plane."""
        return self.poles is None and self.start[0] == self.end[0]

    def curve(self, file: StepFile, side: float) -> str:
        """In the half-plane on the axis' side toward +x (side 1) or -x (side -1)."""
        (z, r), (end_z, end_r), x, y = self.start, self.end, self.x, self.y
        if self.poles is None or self.knots is None:
            length = float(np.hypot(end_z - z, end_r - r))
            along = file.direction(side * (end_r - r) / length, 0.0, (end_z - z) / length)
            vector = file.add(f"VECTOR('',{along},1.)")
            return file.add(f"LINE('',{file.point(x + side * r, y, z)},{vector})")
        points = ",".join(file.point(x + side * r, y, z) for z, r in self.poles.tolist())
        values, counts = np.unique(self.knots, return_counts=True)
        times, places = (",".join(words) for words in (map(str, counts.tolist()), map(real, values.tolist())))
        return file.add(
            f"B_SPLINE_CURVE_WITH_KNOTS('',3,({points}),.UNSPECIFIED.,.F.,.F.,({times}),({places}),.UNSPECIFIED.)"
        )

    def surface(self, file: StepFile) -> tuple[str, bool]:
        """The surface, and whether its own normal points out of the material."""
        (z, r), (end_z, end_r) = self.start, self.end
        dz, dr = end_z - z, end_r - r
        if self.poles is not None:
            axis = file.add(f"AXIS1_PLACEMENT('',{file.point(self.x, self.y, 0.0)},{file.direction(0.0, 0.0, 1.0)})")
            # Its normal is the turn's direction times the curve's: into the material, which lies left of the outline.
            return file.add(f"SURFACE_OF_REVOLUTION('',{self.curve(file, 1.0)},{axis})"), False
        if dz == 0.0:
            return file.add(f"PLANE('',{file.placement(z, 1.0 if dr > 0.0 else -1.0, self.x, self.y)})"), True
        if dr == 0.0:
            return file.add(f"CYLINDRICAL_SURFACE('',{file.placement(z, 1.0, self.x, self.y)},{real(r)})"), dz < 0.0
        place = file.placement(z, 1.0 if dr / dz > 0.0 else -1.0, self.x, self.y)
        angle = float(np.arctan2(abs(dr), abs(dz)))
        return file.add(f"CONICAL_SURFACE('',{place},{real(r)},{real(angle)})"), dz < 0.0


SIDES = (1.0, -1.0)
"""Of an axis: toward +x and toward -x."""


class Ring:
    """A circle about an axis along z, mm, as two edges: from its corner on +x to that on -x and back."""

    def __init__(self, file: StepFile, run: CurveRun, place: tuple[float, float]) -> None:
        (z, r), x, y = place, run.x, run.y
        self.corners = {side: file.add(f"VERTEX_POINT('',{file.point(x + side * r, y, z)})") for side in SIDES}
        circle = file.add(f"CIRCLE('',{file.placement(z, 1.0, x, y)},{real(r)})")
        self.arcs = {
            side: file.add(f"EDGE_CURVE('',{self.corners[side]},{self.corners[-side]},{circle},.T.)") for side in SIDES
        }

    def loop(self, file: StepFile, *, forward: bool) -> str:
        """Once around, counter-clockwise seen from +z if `forward`."""
        order = SIDES if forward else SIDES[::-1]
        return loop_of(file, [(self.arcs[side], forward) for side in order])


def drilled(file: StepFile, holes: Sequence[Hole]) -> tuple[list[str], list[tuple[CurveRun, Ring]]]:
    """The faces of holes, and the circles at which they open, each with its place."""
    faces, openings = list[str](), list[tuple[CurveRun, Ring]]()
    for hole in holes:
        points = [(z / MILLIMETRE, r / MILLIMETRE) for z, r in hole.profile]
        x, y = hole.x / MILLIMETRE, hole.y / MILLIMETRE
        walls = [CurveRun(start, end, x=x, y=y) for start, end in itertools.pairwise(points)]
        circles = [Ring(file, walls[0], point) for point in points]
        openings.append((walls[0], circles[0]))
        for wall, (low, high) in zip(walls, itertools.pairwise(circles), strict=True):
            faces += turned(file, wall, low, high)
        if hole.blind:
            plane = file.add(f"PLANE('',{file.placement(points[-1][0], -1.0, x, y)})")
            faces.append(face(file, plane, True, [circles[-1].loop(file, forward=False)]))
        else:
            openings.append((CurveRun(points[-1], points[-1], x=x, y=y), circles[-1]))
    return faces, openings


def turned(file: StepFile, run: CurveRun, low: Ring, high: Ring) -> list[str]:
    """Two faces, of half a turn each: no face meets itself."""
    lines = {
        side: file.add(f"EDGE_CURVE('',{low.corners[side]},{high.corners[side]},{run.curve(file, side)},.T.)")
        for side in SIDES
    }
    surface, outward = run.surface(file)
    return [
        face(
            file,
            surface,
            outward,
            [
                loop_of(
                    file, [(lines[side], True), (high.arcs[side], True), (lines[-side], False), (low.arcs[side], False)]
                )
            ],
        )
        for side in SIDES
    ]


def loop_of(file: StepFile, edges: Sequence[tuple[str, bool]]) -> str:
    """A closed way along edges, each forward or backward."""
    around = ",".join(file.add(f"ORIENTED_EDGE('',*,*,{edge},{_flag(same)})") for edge, same in edges)
    return file.add(f"EDGE_LOOP('',({around}))")


def face(file: StepFile, surface: str, outward: bool, loops: Sequence[str]) -> str:
    """A face within the first of its loops and outside the others."""
    kinds = ["FACE_OUTER_BOUND", *["FACE_BOUND"] * (len(loops) - 1)]
    bounds = ",".join(file.add(f"{kind}('',{loop},.T.)") for kind, loop in zip(kinds, loops, strict=True))
    return file.add(f"ADVANCED_FACE('',({bounds}),{surface},{_flag(outward)})")


def _product(file: StepFile, solid: str, name: str) -> None:
    """The entities that make a solid a product in mm."""
    add = file.add
    context = add("APPLICATION_CONTEXT('core data for automotive mechanical design processes')")
    add(f"APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',2000,{context})")
    product_context = add(f"PRODUCT_CONTEXT('',{context},'mechanical')")
    product = add(f"PRODUCT('{name}','{name}','',({product_context}))")
    add(f"PRODUCT_RELATED_PRODUCT_CATEGORY('part',$,({product}))")
    formation = add(f"PRODUCT_DEFINITION_FORMATION('','',{product})")
    design = add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{context},'design')")
    definition = add(f"PRODUCT_DEFINITION('design','',{formation},{design})")
    shape = add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
    length = add("(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))")
    angle = add("(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))")
    solid_angle = add("(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT())")
    accuracy = add(f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-6),{length},'distance_accuracy_value','')")
    space = add(
        f"(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT(({accuracy}))"
        f"GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{solid_angle}))REPRESENTATION_CONTEXT('',''))"
    )
    body = add(f"ADVANCED_BREP_SHAPE_REPRESENTATION('',({file.placement(0.0, 1.0)},{solid}),{space})")
    add(f"SHAPE_DEFINITION_REPRESENTATION({shape},{body})")


def real(value: float) -> str:
    """A number with a decimal point, as ISO 10303-21 wants it."""
    text = f"{value + 0.0:.12G}"
    mantissa, _, exponent = text.partition("E")
    mantissa = mantissa if "." in mantissa else f"{mantissa}."
    return f"{mantissa}E{exponent}" if exponent else mantissa


def _flag(value: bool) -> str:
    return ".T." if value else ".F."
