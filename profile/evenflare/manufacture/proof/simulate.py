"""Cutting in software: a workpiece as heights and radii, from which a program's tool takes what it sweeps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Tool
from evenflare.manufacture.proof.truth import Truth
from evenflare.units import MILLIMETRE, FloatArray, read_only

HOLDER_STEP = 0.5 * MILLIMETRE
"""Between the places at which shank and holder are looked at, or a step of the raster if that is more."""
PROGRAMMED_POINTS = ("nose_centre", "imaginary_tip")


@dataclass(frozen=True)
class Contact:
    """What touched material that it must not touch.

    what  : "rapid move", "shank", "holder", "spindle", or a boring "bar" that meets the far side of the bore; or
            "cutter".
    depth : m, along the axis, how far it reached into the material (of a cutter its engagement); place (x, y, z) : m,
            of the material's top there.
    row   : of the program's points, from 0, the one that the move went to.
    """

    what: str
    depth: float
    place: tuple[float, float, float]
    row: int


@dataclass(frozen=True)
class Workpiece:
    """What is left of the stock.

    heights : (X, Y), m, of the material's top, at origin + step (i, j): all four quarters.
    reach   : (A, Z), m, how far along each ray of the truth material is gone.
    engaged : the greatest engagement of the cutter that left it so, as Program counts it; None of stock.
    """

    truth: Truth
    heights: FloatArray
    reach: FloatArray
    engaged: Contact | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "heights", read_only(self.heights))
        object.__setattr__(self, "reach", read_only(self.reach))

    @property
    def origin(self) -> tuple[float, float]:
        """(x, y) in m of the first cell."""
        if self.truth.extent != "quarter":
            return self.truth.corner
        nx, ny = self.truth.heights.shape
        return -self.truth.step * (nx - 1), -self.truth.step * (ny - 1)


def stock(truth: Truth, *, top: float = 0.0, bore: float = 0.0) -> Workpiece:
    """A block whose upper side lies at `top` (m, above the front face), with a hole of radius `bore` (m) through it."""
    nx, ny = truth.heights.shape
    shape = (2 * nx - 1, 2 * ny - 1) if truth.extent == "quarter" else (nx, ny)
    piece = Workpiece(truth, np.full(shape, top), np.full(truth.walls.shape, bore))
    if bore == 0.0:
        return piece
    x, y = (low + truth.step * np.arange(count) for low, count in zip(piece.origin, shape, strict=True))
    return replace(piece, heights=np.where(np.hypot(x[:, None], y) < bore, -np.inf, piece.heights))


def cut(
    piece: Workpiece, program: Program, *, programmed_point: str = "nose_centre", outward: bool = False
) -> tuple[Workpiece, tuple[Contact, ...]]:
    """The workpiece after a program, and the deepest contact of rapid moves, of the shank and of the holder.

    The cutter removes what it sweeps, on rapid moves too. Shank and holder, looked at every HOLDER_STEP, remove
    nothing, so that their depth tells how far they would have to. Of a turning tool the insert's nose cuts, and what
    lies between it and the front goes with it.
    programmed_point : of a turning program, one of PROGRAMMED_POINTS; the imaginary tip lies toward the chuck and
                       away from the axis, a boring tool's.
    outward          : the program turns from the outside, so that the depth of cut counts on that side of the nose.
    Errors           : InputError for a turning program on a workpiece that is no half-section, or the reverse.
    Source           : the swept volume of a turning convex tool, elementary geometry (see sweep).
    """
    from evenflare.manufacture.proof.sweep import bored, milled

    turned = program.kind == "turning"
    if turned != (piece.truth.extent == "half_section"):
        raise InputError(f"{program.name}: is a {program.kind} program, and the workpiece is not. Prove it on its own")
    tool, collars = shape_of(program.tool)
    wider = np.array(list(collars.values())).reshape(-1, 2)
    points = np.array(program.position, dtype=np.float64)
    if turned:
        points[:, 1] = 0.0
        if programmed_point == "imaginary_tip":
            points[:, 0] -= tool[1]
        elif programmed_point == "nose_centre":
            points[:, 2] -= tool[1]
        else:
            allowed = " or ".join(PROGRAMMED_POINTS)
            raise InputError(f"programmed_point = {programmed_point!r}: must be {allowed}")
    heights, reach, truth = piece.heights.copy(), piece.reach.copy(), piece.truth
    bar = program.tool.shank_diameter if turned else 0.0
    stride = max(1, round(HOLDER_STEP / truth.step))
    side = 1.0 if outward else -1.0
    rapid = np.array(program.rapid)
    found = milled(heights, piece.origin, truth.step, points, rapid, tool, wider, stride, bar, side)
    if reach.size:
        bored(reach, truth.walls, truth.lowest, truth.step, truth.directions, points, tool)
        # The flank takes along what lies above.
        reach = np.maximum.accumulate(reach, axis=1)
    engaged, *contacts = (
        Contact(name, float(row[0]), (float(row[1]), float(row[2]), float(row[3])), int(row[4]))
        for name, row in zip(("cutter", "rapid move", *collars, "bar"), found, strict=True)
    )
    return Workpiece(truth, heights, reach, engaged), tuple(each for each in contacts if each.depth > 0.0)


def shape_of(tool: Tool) -> tuple[tuple[int, float, float], dict[str, tuple[float, float]]]:
    """A tool as the sweep takes it; shank, holder and spindle, where wider: radius and height above the tip."""
    from evenflare.manufacture.proof import sweep, underside

    kinds = {
        "ball": underside.BALL,
        "turning": underside.BALL,
        "bull": underside.BULL,
        "flat": underside.FLAT,
        "drill": underside.DRILL,
    }
    if tool.kind not in kinds:
        raise InputError(f"tool {tool.name}: kind = {tool.kind!r}: must be one of {', '.join(kinds)}")
    if tool.kind == "turning":
        return (underside.BALL, tool.corner_radius, tool.corner_radius), {}
    radius = 0.5 * tool.diameter
    rise = 1.0 / np.tan(0.5 * tool.point_angle)
    corner = {"ball": radius, "bull": tool.corner_radius, "drill": float(rise)}.get(tool.kind, 0.0)
    collars = {}
    if tool.shank_diameter > tool.diameter + 2 * sweep.SKIN:
        collars["shank"] = (0.5 * tool.shank_diameter, tool.flute_length)
    if tool.holder_diameter > tool.diameter:
        collars["holder"] = (0.5 * tool.holder_diameter, tool.reach)
    if tool.spindle_nose > tool.holder_diameter:
        collars["spindle"] = (0.5 * tool.spindle_nose, tool.reach + tool.holder_length)
    return (kinds[tool.kind], radius, corner), collars
