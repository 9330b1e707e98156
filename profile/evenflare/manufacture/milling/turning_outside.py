"""Turning what is not the waveguide's wall: front, edge and outside in one chucking, the driver's recess in another."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.program import Leg, Program, assembled
from evenflare.manufacture.milling.turning import CLEAR, CORNER, POINTS, TURNING_DATUM
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.process.types import DriverSeat, Process, Tool
from evenflare.manufacture.wall.scallop import stepover
from evenflare.units import MILLIMETRE, MINUTE, FloatArray
from evenflare.words import mm

OUTSIDE, TURNED_BACK = "outside", "turning_back"
"""Names of the programs."""
FACING = 1 * MILLIMETRE
"""Of stock before a face (common practice, no source)."""
ROUND_STOCK = 2 * MILLIMETRE
"""Of stock beyond the outside, in radius, where the process does not say how large it is (likewise)."""
NOSE_SHARE = 1.6
"""Of the nose's radius, that a pass takes at most: neighbouring passes leave no ring between them."""
_TURN = 200
"""Moves of a quarter circle: 10 mm and a nose of 1 depart from theirs by 0.1 um."""


def stock_radius(process: Process, radius: float) -> float:
    """m, of the stock for a part of `radius` (m)."""
    size = process.stock.size
    return radius + ROUND_STOCK if size is None else max(0.5 * size[0], radius)


def outside(process: Process, radius: float, features: Features, *, thick: float, bore: float) -> Program:
    """The program for front, edge or rebate, and outside; first of all. Roughing passes along the axis, then once along
    the whole profile, slowly enough for the scallop height.

    radius, bore : m, of the part and of the drilled bore. thick : m, how far down the outside is turned, for parting it
                   off too. Errors : InputError if the nose is too large for the rebate, or the tool too short.
    """
    tool, machine = process.tool(process.outside_tool), process.machine
    nose, bottom = tool.corner_radius, -thick + tool.corner_radius
    if tool.reach < thick + CLEAR:
        raise InputError(
            f'outside_tool "{tool.name}" reach_mm = {mm(tool.reach)}: must be at least {mm(thick + CLEAR)}, the outside'
            " that it turns. Take a longer one"
        )
    path = _profile(radius, features, nose, bottom, inner=max(bore - nose - CLEAR, 0.0))
    stock, keep, safe = stock_radius(process, radius), nose + process.stock_left, machine.safe_height + nose
    clear = FACING + CLEAR + nose
    legs = [Leg(_at_radius(stock + clear, safe), machine.rapid_feed, rapid=True)]
    step = min(process.stepdown, NOSE_SHARE * nose)
    inmost = radius - max(features.edge_radius, features.rebate_width) + process.stock_left
    for edge in _steps(stock, inmost, step):
        x = edge + nose
        end = max(bottom + process.stock_left, _limit(x, radius, features, keep))
        legs += [
            Leg(_at_radius(x, clear), machine.rapid_feed, rapid=True),
            Leg(_points([(x, end), (x + CLEAR, end + CLEAR)]), machine.cutting_feed),
            Leg(_at_radius(x + CLEAR, clear), machine.rapid_feed, rapid=True),
        ]
    per_turn = float(stepover(process.scallop_height, radius=nose))
    feed = min(machine.cutting_feed, per_turn * machine.spindle_rpm / MINUTE)
    # The face first, inward, where the stock is thickest; then out along it and down the outside.
    legs += [
        Leg(_at_radius(stock + clear, clear), machine.rapid_feed, rapid=True),
        Leg(_at_radius(stock + clear, keep), machine.plunge_feed),
        Leg(_at_radius(path[0, 0], keep), machine.cutting_feed),
        Leg(_points(path.tolist()), feed),
        Leg(_at_radius(stock + clear, bottom), machine.cutting_feed),
        Leg(_at_radius(stock + clear, safe), machine.rapid_feed, rapid=True),
    ]
    height = thick - process.parting
    setup = [
        f"chuck the stock by its back end: {mm(2 * stock)} in diameter, {mm(FACING)} before the front face, Z0; the"
        f" outside is turned to Z {-thick / MILLIMETRE:.3f}, clear of the jaws",
        f"drill a bore of diameter {2 * bore / MILLIMETRE:.2f} along the axis first, as turning asks",
        "an outside tool: its nose cuts toward the axis and toward the chuck; check the insert's clearance",
        *(
            [f"part off behind Z {-height / MILLIMETRE:.3f}, after turning; {mm(process.parting)} are turned for it"]
            if process.parting
            else []
        ),
    ]
    return _program(OUTSIDE, tool, legs, process, setup, inward=True)


def turned_back(process: Process, seat: DriverSeat, radius: float, *, height: float, throat: float) -> Program:
    """The back, in a second chucking: its face, and the driver's recess from it to the throat plane.

    radius, height, throat : m, of the part, from front to back face, and of the throat.
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
        "chuck the part by its outside, front face against the jaws' steps, in soft jaws bored to it",
        f"Z0 is the back face, {mm(height)} from the front face, with at most {mm(FACING)} before it",
        f"recess: diameter {mm(seat.diameter)}, depth {mm(seat.depth)} from the back face to the throat plane; its"
        f" corner keeps the nose's radius, {mm(nose)}: the driver's rim wants a chamfer. Measure the driver at hand",
    ]
    return _program(TURNED_BACK, tool, legs, process, setup, inward=False)


def _program(name: str, tool: Tool, legs: list[Leg], process: Process, setup: list[str], *, inward: bool) -> Program:
    """Legs of nose centres. inward : the imaginary tip lies toward the axis, as an outside tool's."""
    point, shift = process.machine.programmed_point, np.zeros(3)
    if point == "imaginary_tip":
        shift = np.array([-tool.corner_radius if inward else tool.corner_radius, 0.0, -tool.corner_radius])
    moved = [leg._replace(points=leg.points + shift) for leg in legs]
    datum = f"{TURNING_DATUM} {POINTS[point]}"
    if not inward:
        datum = datum.replace("front face, the mouth plane", "back face")
    engagement = _met(tool.corner_radius, process)
    return assembled(name, tool, moved, datum=datum, kind="turning", setup=setup, chord=1e-6, engagement=engagement)


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
