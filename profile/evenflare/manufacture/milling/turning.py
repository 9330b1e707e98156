"""Turning: a round waveguide bored from the mouth by a tool with a round nose, the nose's radius compensated."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.program import Leg, Program, assembled
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.wall.offset import tool_path
from evenflare.manufacture.wall.scallop import stepover
from evenflare.units import MILLIMETRE, MINUTE, FloatArray
from evenflare.waveguide import Meridian, Waveguide, joined, sampled

TURNING_DATUM = (
    "X0 on the axis, X a diameter, Z0 at the front face, the mouth plane, + out of the part, G18. The programmed point"
    " is"
)
POINTS = {
    "nose_centre": "the centre of the tool's nose",
    "imaginary_tip": "the imaginary tip, where the nose's tangents along the axis and across it meet",
}
CLEAR = 0.5 * MILLIMETRE
"""From what is cut, on the way back; and beyond the throat."""
BORE = 1 * MILLIMETRE
"""In diameter, by which the drilled bore is wider than the bar."""
CORNER = np.sqrt(2.0) - 1.0
"""Of its radius, that a circle leaves in a right corner."""
_CHORD = 0.001 * MILLIMETRE
_PLACES = 4000


def turning(waveguide: Waveguide, process: Process, *, behind: float, after: str = "") -> tuple[Program, ...]:
    """Roughing and finishing: one program "turning", or two ("turning_roughing" first) if they have two tools.

    Roughing follows the axis pass by pass, from a drilled bore outward, then the wall once with the stock left;
    finishing follows the wall from mouth to throat, slowly enough for the scallop height.
    behind : m, that the part reaches behind the throat plane.
    after  : the program that ran before in the same chucking, and left the front face; empty where none did.
    Errors : InputError if the bar does not pass the throat or is too short.
    """
    tool, finisher = process.tool(process.roughing_tool), process.tool(process.finishing_tool)
    meridian, machine = waveguide.meridian, process.machine
    bore = bore_radius(waveguide, process)
    rough = _roughing(meridian, eased(process, tool), tool, bore)
    fine = _finishing(meridian, eased(process, finisher), finisher)
    back = Leg(_withdrawn(fine[-1].points[-1], machine.safe_height), machine.rapid_feed, rapid=True)
    datum = f"{TURNING_DATUM} {POINTS[machine.programmed_point]}"
    through = max(waveguide.depth + behind, waveguide.depth + 2.0 * (tool.corner_radius + CLEAR))
    first = [
        f"run after {after}, in the same chucking; Z0, the front face that it left, stays"
        if after
        else "chuck the stock by its back end and face its front: Z0",
        f"drill a bore of diameter {2 * bore / MILLIMETRE:.2f} along the axis, {through / MILLIMETRE:.1f} deep"
        + (f", before {after}" if after else ""),
        "the nose cuts on the +X side, fed toward the chuck: check which way X counts, and the insert's clearance",
    ]
    first += slender_words(process, tool)
    if tool == finisher:
        return (_program("turning", tool, [*rough, *fine, back], process, datum, first),)
    inner = Leg(_withdrawn(rough[-1].points[-1], machine.safe_height), machine.rapid_feed, rapid=True)
    again = ["run after turning_roughing, in the same clamping, with the finishing tool set to the same zero"]
    again += slender_words(process, finisher)
    return (
        _program("turning_roughing", tool, [*rough, inner], process, datum, first),
        _program("turning", finisher, [*fine, back], process, datum, again),
    )


def _program(name: str, tool: Tool, legs: list[Leg], process: Process, datum: str, setup: list[str]) -> Program:
    """Legs of nose centres (N, 3): radius, 0, z; m."""
    shift = np.zeros(3)
    if process.machine.programmed_point == "imaginary_tip":
        shift = np.array([tool.corner_radius, 0.0, -tool.corner_radius])
    moved = [leg._replace(points=leg.points + shift) for leg in legs]
    # More than a step stands where the round nose, the stock left beside it, ends in a corner: the contour takes both.
    engagement = eased(process, tool).stepdown + CORNER * (tool.corner_radius + process.stock_left)
    if name == "turning" and tool.name != process.roughing_tool:
        # Where the roughing nose is the larger, it leaves more in hollow corners: of a right one so much.
        more = max(0.0, process.tool(process.roughing_tool).corner_radius - tool.corner_radius)
        engagement = process.stock_left + CORNER * more + _chord(process)
    return assembled(
        name,
        tool,
        moved,
        datum=datum,
        kind="turning",
        setup=setup,
        chord=_chord(process),
        engagement=float(engagement),
    )


def bore_radius(waveguide: Waveguide, process: Process) -> float:
    """m, radius of the bore to drill before turning: what the throat leaves. InputError if a bar does not pass it."""
    meridian, tools = waveguide.meridian, [process.tool(process.roughing_tool), process.tool(process.finishing_tool)]
    narrowest = float(meridian.dense.r.min()) - process.stock_left - CLEAR
    bore = 0.25 * MILLIMETRE * np.floor(narrowest / (0.25 * MILLIMETRE))
    for tool in tools:
        needed = 0.5 * (tool.shank_diameter + BORE)
        if bore < needed or bore < tool.corner_radius + CLEAR:
            largest = 2.0 * bore - BORE
            raise InputError(
                f'tool "{tool.name}" shank_diameter_mm = {tool.shank_diameter / MILLIMETRE:g}: the bar does not pass'
                f" the throat, {2 * narrowest / MILLIMETRE:.4g} mm wide with the stock left: must be at most"
                f" {largest / MILLIMETRE:.2f}. Take a thinner bar"
            )
        deep = meridian.depth + tool.corner_radius + 2.0 * CLEAR
        if tool.reach < deep:
            raise InputError(
                f'tool "{tool.name}" reach_mm = {tool.reach / MILLIMETRE:g}: the part is {deep / MILLIMETRE:.4g} mm'
                " deep at the throat: must be at least that. Take a longer bar"
            )
    return float(bore)


def _points(r: FloatArray, z: FloatArray) -> FloatArray:
    return np.column_stack([r, np.zeros(np.size(r)), z])


def _withdrawn(place: FloatArray, height: float) -> FloatArray:
    return np.array([[place[0], 0.0, height]])


def _limit(meridian: Meridian, keep: float, below: float) -> tuple[FloatArray, FloatArray]:
    """(z, r), m, z rising from `below` to above the front face: where a nose's centre keeps `keep` from the wall."""
    wall = joined(sampled(meridian, chord_error=_CHORD))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    fine = np.linspace(0.0, along[-1], 2 * _PLACES)
    wall_z, wall_r = np.interp(fine, along, wall.z) - meridian.depth, np.interp(fine, along, wall.r)
    straight = np.arange(below - keep, wall_z[0], keep / 20.0)
    wall_z, wall_r = np.append(straight, wall_z), np.append(np.full(straight.size, wall_r[0]), wall_r)
    z = np.linspace(below, keep, _PLACES)
    r = np.full(z.size, np.inf)
    for start in range(0, z.size, 64):
        here = z[start : start + 64]
        beside = (wall_z >= here[0] - 2.0 * keep) & (wall_z <= here[-1] + 2.0 * keep)
        away = wall_z[beside] - here[:, None]
        near = np.abs(away) <= keep
        room = np.where(near, wall_r[beside] - np.sqrt(np.maximum(keep**2 - away**2, 0.0)), np.inf)
        r[start : start + 64] = room.min(axis=1, initial=np.inf)
    return z, r


def _roughing(meridian: Meridian, process: Process, tool: Tool, bore: float) -> list[Leg]:
    machine, nose = process.machine, tool.corner_radius
    keep, below = nose + process.stock_left, -meridian.depth - nose - CLEAR
    z, r = _limit(meridian, keep, below)
    open_to = np.minimum.accumulate(r[::-1])[::-1]
    clear, safe = CLEAR + nose, machine.safe_height + nose
    legs, edge = list[Leg](), bore
    widest = meridian.mouth_radius - process.stock_left
    start = bore - nose - CLEAR
    legs.append(Leg(_points(np.array([start]), np.array([safe])), machine.rapid_feed, rapid=True))
    while edge < widest - 1e-9:
        edge = min(edge + process.stepdown, widest)
        x = edge - nose
        free = np.flatnonzero(open_to >= x)
        if free.size == 0 or z[free[0]] > -1e-9 + clear:
            break
        end = float(z[free[0]])
        legs += [
            Leg(_points(np.array([x]), np.array([clear])), machine.rapid_feed, rapid=True),
            Leg(_points(np.array([x, x - CLEAR]), np.array([end, end + CLEAR])), machine.cutting_feed),
            Leg(_points(np.array([x - CLEAR]), np.array([clear])), machine.rapid_feed, rapid=True),
        ]
    # Once along the wall: the steps go, the stock that finishing takes stays.
    met = np.isfinite(r)
    along = _thinned(np.column_stack([r[met], z[met]])[::-1])
    inward = np.array([[along[-1, 0] - CLEAR, along[-1, 1]]])
    path = np.concatenate([along, inward])
    legs += [
        Leg(_points(path[:1, 0], np.array([clear])), machine.rapid_feed, rapid=True),
        Leg(_points(path[:, 0], path[:, 1]), machine.cutting_feed),
        Leg(_points(inward[:, 0], np.array([safe])), machine.rapid_feed, rapid=True),
    ]
    return legs


def _thinned(points: FloatArray) -> FloatArray:
    """Of points (N, 2) those that keep a line through them within 5 um."""
    import shapely

    return np.asarray(shapely.LineString(points).simplify(5e-6).coords)


def _chord(process: Process) -> float:
    """m, that straight moves along the wall may leave or take; a micrometre is the least that rows are spread for."""
    return max(1e-6, min(0.25 * process.scallop_height, 0.1 * process.tolerance))


def _finishing(meridian: Meridian, process: Process, tool: Tool) -> list[Leg]:
    machine, nose = process.machine, tool.corner_radius
    path = tool_path(meridian, tool_radius=nose, chord_error=_chord(process))
    r, z = path.centre_r[::-1], path.centre_z[::-1] - meridian.depth
    first, last = path.wall.angle[-1], path.wall.angle[0]
    ahead = np.array([r[0] + CLEAR * np.sin(first), z[0] + CLEAR * np.cos(first)])
    beyond = np.array([r[-1] - CLEAR * np.sin(last), z[-1] - CLEAR * np.cos(last)])
    safe = machine.safe_height + nose
    per_turn = stepover(process.scallop_height, radius=nose)
    feed = min(machine.cutting_feed, float(per_turn) * machine.spindle_rpm / MINUTE)
    r = np.concatenate([[ahead[0]], r, [beyond[0], beyond[0] - CLEAR]])
    z = np.concatenate([[ahead[1]], z, [beyond[1], beyond[1]]])
    return [
        Leg(_points(r[:1], np.array([safe])), machine.rapid_feed, rapid=True),
        Leg(_points(r[:1], z[:1]), machine.plunge_feed),
        Leg(_points(r[1:], z[1:]), feed),
    ]
