"""Turning what is not the waveguide's wall: front, edge and outside in one chucking, the driver's recess in another."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.program import Leg, Program, assembled
from evenflare.manufacture.milling.turning import CLEAR, CORNER, POINTS, TURNING_DATUM
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.sides import Side
from evenflare.manufacture.process.full_stock import stock_radius
from evenflare.manufacture.process.types import DriverSeat, Process, Tool
from evenflare.manufacture.wall.scallop import stepover
from evenflare.units import MILLIMETRE, MINUTE, FloatArray
from evenflare.words import mm

OUTSIDE, TURNED_BACK, OUTSIDE_BACK = "outside", "turning_back", "outside_back"
"""Names of the programs."""
FACING = 1 * MILLIMETRE
"""Of stock before a face (common practice, no source)."""
NOSE_SHARE = 1.6
"""Of the nose's radius, that a pass takes at most: neighbouring passes leave no ring between them."""
_CHORD = 1e-6
_TURN = 200
"""Moves of a quarter circle: 10 mm and a nose of 1 depart from theirs by 0.1 um."""


class _Contour(NamedTuple):
    """What is turned from the outside, m.

    path   : (N, 2), r and z of the nose's centre along it, down to `bottom`.
    lowest : of the nose's centre at a radius, so that the stock is left; -inf beside the outside.
    inmost : radius of the last pass.
    """

    path: FloatArray
    lowest: Callable[[float], float]
    inmost: float
    bottom: float


def outside(
    process: Process,
    radius: float,
    features: Features,
    *,
    thick: float,
    bore: float,
    whole: bool = True,
    side: Side | None = None,
) -> Program:
    """The program for front, edge or rebate, and outside; first of all. Roughing passes along the axis, then once along
    the whole profile, slowly enough for the scallop height. Of a body the rim as far as its widest place, and from
    there a cylinder by which the next chucking holds it.

    radius, bore : m, of the part and of the drilled bore. thick : m, how far down the outside is turned, for parting it
                   off too; whole : it is the part's height, else a shell's flange. side : a body's front.
    Errors : InputError if the nose is too large for the rebate or a hollow of the outside, or the tool too short.
    """
    tool, stock = process.tool(process.outside_tool), stock_radius(process, radius)
    nose, bottom = tool.corner_radius, -thick + tool.corner_radius
    _check_reach(tool, thick)
    inner = max(bore - nose - CLEAR, 0.0)
    if side is None:
        contour = _Contour(
            _profile(radius, features, nose, bottom, inner=inner),
            lambda x: _limit(x, radius, features, nose + process.stock_left),
            radius - max(features.edge_radius, features.rebate_width) + process.stock_left,
            bottom,
        )
    else:
        contour = _of_side(side, process, tool, inner=inner, bottom=bottom)
    height = thick - process.parting
    parted = (
        f"{mm(process.parting)} behind the back, Z {-height / MILLIMETRE:.3f}, are turned too: the part comes off"
        " there, last in this chucking"
    )
    held = (
        "the flange alone is turned: what stands behind it holds it, and is parted off behind the part's back by hand"
    )
    setup = [
        f"chuck the stock by its back end: {mm(2 * stock)} in diameter, {mm(FACING)} before the front face, Z0; the"
        f" outside is turned to Z {-thick / MILLIMETRE:.3f}, clear of the jaws",
        f"drill a bore of diameter {2 * bore / MILLIMETRE:.2f} along the axis first, as turning asks",
        "an outside tool: its nose cuts toward the axis and toward the chuck; check the insert's clearance",
        *([] if whole else [held]),
        *([parted] if whole and process.parting else []),
    ]
    if side is not None:
        setup.append(
            f"the rim is finished to the widest place, Z {side.lowest / MILLIMETRE:.3f}; behind it a cylinder of"
            f" diameter {mm(2 * radius)} stays to hold the part by: {OUTSIDE_BACK} turns the outside there"
        )
    return _around(OUTSIDE, process, tool, contour, stock=stock, setup=setup)


def parting_words(process: Process, *, height: float) -> list[str]:
    """What ends the first chucking of a part that is turned whole, of `height` (m); in words."""
    if not process.parting:
        return []
    return [
        f"last in this chucking: part off, or saw, behind Z {-height / MILLIMETRE:.3f}, where {OUTSIDE} has turned"
        f" {mm(process.parting)} for it; support the part, it comes free"
    ]


def outside_back(process: Process, side: Side, *, height: float, seat: DriverSeat) -> Program:
    """The outside of a body from its back to the widest place, in a third chucking, held from within.

    side : its back. height : m, of the part. Errors : InputError if the tool is too short, or the nose too large for a
    hollow of the outside.
    """
    tool = process.tool(process.outside_tool)
    nose = tool.corner_radius
    bottom = side.lowest - CLEAR
    _check_reach(tool, nose - bottom)
    contour = _of_side(side, process, tool, inner=max(0.5 * seat.diameter - nose - CLEAR, 0.0), bottom=bottom)
    setup = [
        f"run after {TURNED_BACK}. Hold the part from within, its outside free: mouth against a plug turned to fit the"
        " wall, drawn against it through the throat, the washer on the recess's floor. Whether that holds is the"
        " workshop's to judge: try it by hand, take light cuts",
        f"X0: indicate the cylinder of diameter {mm(2 * side.widest)}; Z0 is the back face as {TURNED_BACK} left it,"
        f" {mm(height)} from the mouth plane",
        f"the outside is turned from the back to the widest place, Z {side.lowest / MILLIMETRE:.3f}, where it meets"
        f" what {OUTSIDE} has turned",
        "an outside tool: its nose cuts toward the axis and toward the chuck; check the insert's clearance",
    ]
    return _around(OUTSIDE_BACK, process, tool, contour, stock=side.widest, setup=setup)


def _check_reach(tool: Tool, deep: float) -> None:
    if tool.reach < deep + CLEAR:
        raise InputError(
            f'outside_tool "{tool.name}" reach_mm = {mm(tool.reach)}: must be at least {mm(deep + CLEAR)}, the outside'
            " that it turns. Take a longer one"
        )


def _of_side(side: Side, process: Process, tool: Tool, *, inner: float, bottom: float) -> _Contour:
    """The face and one side of a body, then straight down."""
    import shapely

    nose, what = tool.corner_radius, f'outside_tool "{tool.name}"'
    z, r = side.touching(nose, what=what)
    kept_z, kept_r = side.touching(nose + process.stock_left, what=f"{what} and the stock left")
    line = shapely.LineString(np.column_stack([r, z])).simplify(_CHORD)
    path = np.vstack([[[inner, nose]], np.asarray(line.coords), [[side.widest + nose, bottom]]])

    def lowest(x: float) -> float:
        return float(np.interp(x, kept_r, kept_z, right=-np.inf))

    return _Contour(path, lowest, side.inner + process.stock_left, bottom)


def _around(name: str, process: Process, tool: Tool, contour: _Contour, *, stock: float, setup: list[str]) -> Program:
    """Passes along the axis from the stock's radius inward, then face and profile. m."""
    machine, nose, path, bottom = process.machine, tool.corner_radius, contour.path, contour.bottom
    keep, safe = nose + process.stock_left, machine.safe_height + nose
    clear = FACING + CLEAR + nose
    legs = [Leg(_at_radius(stock + clear, safe), machine.rapid_feed, rapid=True)]
    step = min(process.stepdown, NOSE_SHARE * nose)
    for edge in _steps(stock, contour.inmost, step):
        x = edge + nose
        end = max(bottom + process.stock_left, contour.lowest(x))
        legs += [
            Leg(_at_radius(x, clear), machine.rapid_feed, rapid=True),
            Leg(_points([(x, end), (x + CLEAR, end + CLEAR)]), machine.cutting_feed),
            Leg(_at_radius(x + CLEAR, clear), machine.rapid_feed, rapid=True),
        ]
    # The face first, inward, where the stock is thickest; then out along it and down the outside.
    legs += [
        Leg(_at_radius(stock + clear, clear), machine.rapid_feed, rapid=True),
        Leg(_at_radius(stock + clear, keep), machine.plunge_feed),
        Leg(_at_radius(path[0, 0], keep), machine.cutting_feed),
        Leg(_points(path.tolist()), _fine(process, tool)),
        Leg(_at_radius(stock + clear, bottom), machine.cutting_feed),
        Leg(_at_radius(stock + clear, safe), machine.rapid_feed, rapid=True),
    ]
    return _program(name, tool, legs, process, setup, inward=True)


def turned_back(
    process: Process, seat: DriverSeat, radius: float, *, height: float, throat: float, widest: float | None = None
) -> Program:
    """The back, in a second chucking: its face, and the driver's recess from it to the throat plane.

    radius, height, throat : m, of the part, from front to back face, and of the throat.
    widest : m, from the back face, of a body's widest place: what lies in front of it is finished.
    Errors : InputError if the tool is too short or too thick.
    """
    tool, machine = process.tool(process.back_tool), process.machine
    nose, safe = tool.corner_radius, machine.safe_height + tool.corner_radius
    if tool.shank_diameter > throat + 0.5 * seat.diameter or tool.reach < seat.depth + CLEAR:
        raise InputError(
            f'back_tool "{tool.name}" shank_diameter_mm = {mm(tool.shank_diameter)}, reach_mm = {mm(tool.reach)}: must'
            f" be at most {mm(throat + 0.5 * seat.diameter)} and at least {mm(seat.depth + CLEAR)} for the recess."
            " Take another"
        )
    outer, clear, inner = radius + nose + CLEAR, FACING + CLEAR + nose, max(throat - nose - CLEAR, 0.0)
    legs = [
        Leg(_at_radius(outer, safe), machine.rapid_feed, rapid=True),
        Leg(_at_radius(outer, nose), machine.plunge_feed),
        Leg(_at_radius(inner, nose), _fine(process, tool)),
        Leg(_at_radius(inner, clear), machine.rapid_feed, rapid=True),
    ]
    wide, floor = 0.5 * seat.diameter, -seat.depth
    if seat.depth > 0.0:
        for edge in _steps(throat, wide - process.stock_left, min(process.stepdown, NOSE_SHARE * nose)):
            end = min(floor + nose + process.stock_left, nose)
            legs += [
                Leg(_at_radius(edge - nose, clear), machine.rapid_feed, rapid=True),
                Leg(_points([(edge - nose, end), (edge - nose - CLEAR, end + CLEAR)]), machine.cutting_feed),
                Leg(_at_radius(edge - nose - CLEAR, clear), machine.rapid_feed, rapid=True),
            ]
        wall = [(wide - nose, nose), (wide - nose, floor + nose), (inner, floor + nose)]
        legs += [
            Leg(_at_radius(wide - nose, clear), machine.rapid_feed, rapid=True),
            Leg(_points(wall), _fine(process, tool)),
        ]
    legs.append(Leg(_at_radius(inner, safe), machine.rapid_feed, rapid=True))
    setup = [
        "chuck the part by its outside, front face against the jaws' steps, in soft jaws bored to it"
        if widest is None
        else f"chuck the part by its cylinder of diameter {mm(2 * radius)}, from Z {-widest / MILLIMETRE:.3f} to the"
        " back, in soft jaws bored to it; the rim, which is finished, comes against a flat stop. The jaws end before"
        " Z0, which is faced",
        f"Z0 is the back face, {mm(height)} from the front face, with at most {mm(FACING)} before it",
        f"recess: diameter {mm(seat.diameter)}, depth {mm(seat.depth)} from the back face to the throat plane; its"
        f" corner keeps the nose's radius, {mm(nose)}: the driver's rim wants a chamfer. Measure the driver at hand",
    ]
    return _program(TURNED_BACK, tool, legs, process, setup, inward=False)


def _program(
    name: str,
    tool: Tool,
    legs: list[Leg],
    process: Process,
    setup: list[str],
    *,
    inward: bool,
) -> Program:
    """Legs of nose centres. inward : the imaginary tip lies toward the axis, as an outside tool's."""
    point, shift = process.machine.programmed_point, np.zeros(3)
    if point == "imaginary_tip":
        shift = np.array([-tool.corner_radius if inward else tool.corner_radius, 0.0, -tool.corner_radius])
    moved = [leg._replace(points=leg.points + shift) for leg in legs]
    datum = f"{TURNING_DATUM} {POINTS[point]}"
    if name != OUTSIDE:
        datum = datum.replace("front face, the mouth plane", "back face")
    engagement = _met(tool.corner_radius, process)
    return assembled(name, tool, moved, datum=datum, kind="turning", setup=setup, chord=_CHORD, engagement=engagement)


def _met(nose: float, process: Process) -> float:
    """m, the greatest depth of cut across the feed: of the face; of a pass, whose nose comes to the cusp beside it at
    its end; of the nose as it comes down on the stock of a floor, its own half and the chord of the other; and of the
    contour, which takes steps and what the nose left in their corners. (Elementary geometry.)
    """
    step, left = min(process.stepdown, NOSE_SHARE * nose), process.stock_left
    cusp = nose - np.sqrt(nose**2 - 0.25 * step**2)
    floor = nose + np.sqrt(nose**2 - max(nose - left - cusp, 0.0) ** 2)
    return float(max(FACING, nose + 0.5 * step, floor, left + step + CORNER * nose))


def _fine(process: Process, tool: Tool) -> float:
    per_turn = float(stepover(process.scallop_height, radius=tool.corner_radius))
    return min(process.machine.cutting_feed, per_turn * process.machine.spindle_rpm / MINUTE)


def _steps(start: float, end: float, step: float) -> list[float]:
    """Even steps from `start`, left out, to `end`, none larger than `step`; m."""
    count = int(np.ceil(abs(end - start) / step - 1e-9))
    return [start + (end - start) * (k + 1) / count for k in range(count)]


def _profile(radius: float, features: Features, nose: float, bottom: float, *, inner: float) -> FloatArray:
    """(N, 2): r and z of the nose's centre along face, edge or rebate, and outside, m."""
    turn = np.linspace(0.5 * np.pi, 0.0, _TURN + 1)
    quarter = np.column_stack([np.cos(turn), np.sin(turn)])
    wide, deep, edge = features.rebate_width, features.rebate_depth, features.edge_radius
    if features.has_rim and edge == 0.0:
        if nose > min(wide, deep):
            raise InputError(
                f"outside_tool corner_radius_mm = {mm(nose)}: must be at most {mm(min(wide, deep))} for the rebate."
                " Take a sharper one"
            )
        parts = [
            np.array([radius - wide, 0.0]) + nose * quarter,
            np.array([[radius - wide + nose, -deep + nose]]),
            np.array([radius, -deep]) + nose * quarter,
        ]
    else:
        parts = [np.array([radius - edge, -edge]) + (edge + nose) * quarter]
    return np.vstack([[[inner, nose]], *parts, [[radius + nose, bottom]]])


def _limit(x: float, radius: float, features: Features, keep: float) -> float:
    """m, lowest z of the nose's centre at x that keeps `keep` from face, edge and rebate; -inf beside the outside."""
    edge, wide = features.edge_radius, features.rebate_width
    if x >= radius + keep:
        return -np.inf
    if edge > 0.0:
        return float(-edge + np.sqrt(max((edge + keep) ** 2 - (x - radius + edge) ** 2, 0.0)))
    return -features.rebate_depth + keep if wide > 0.0 else keep


def _points(places: list[tuple[float, float]] | list[list[float]]) -> FloatArray:
    r, z = np.asarray(places, dtype=np.float64).T
    return np.column_stack([r, np.zeros(r.size), z])


def _at_radius(r: float, z: float) -> FloatArray:
    return np.array([[r, 0.0, z]])
