"""Roughing on a router: the cavity only, level by level, with stock left everywhere for finishing."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.engagement import levels_of
from evenflare.manufacture.milling.finishing import below_the_part
from evenflare.manufacture.milling.program import Leg, Program, from_front
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.wall.oblong_curves import section
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Surface, Waveguide, joined, sampled

ENGAGEMENT = 0.9
"""Stepover as a share of the radius of the tool's flat end: no core is left in the middle of the first ring."""
RAMP = 3 * DEGREE
"""Slope at which the tool enters the material (common practice, no source)."""
LIFT = 1 * MILLIMETRE
"""Above a cleared floor, for a rapid move back to the middle."""
RING_CHORD = 0.02 * MILLIMETRE
_WALL = 0.002 * MILLIMETRE
_SHEETS = 9


def roughing(waveguide: Waveguide, process: Process) -> Program:
    """The roughing program, datum as from_front: levels downward; at each a ramp along the innermost ring and rings
    outward, counter-clockwise, which climbs with a spindle that turns clockwise. What lies outside the mouth stays.

    The lowest level clears the throat down to where the finishing ball's tip passes it.
    Errors : InputError if the tool does not pass the throat or is not to be lowered by a stepdown.
    """
    tool = process.tool(process.roughing_tool)
    words, process = slender_words(process, tool), eased(process, tool)
    machine = process.machine
    check_flutes(process, tool)
    levels = levels_of(waveguide, process)
    rings = rings_by_level(waveguide, tool, process, levels, as_far=bool(process.rest_tool))
    short, levels = len(rings) < levels.size, levels[: len(rings)]
    legs, above = [], 0.0
    for level, around in zip(levels.tolist(), rings, strict=True):
        legs += cleared(around, level, above, process)
        above = level
    end = np.append(legs[-1].points[-1, :2], machine.safe_height)
    legs.append(Leg(end[None], machine.rapid_feed, rapid=True))
    kept = "part, and the slot that is cut round it" if process.profile_tool else "mouth"
    setup = [
        f"plane the stock's upper side: it is the front face, Z0. Clamp outside the {kept}",
        f"below Z {levels[-1] / MILLIMETRE:.3f} the tool is too wide: the program rest goes on from there"
        if short
        else below_the_part(float(levels[-1]), waveguide.depth),
        f"stock left for finishing: {process.stock_left / MILLIMETRE:g}, and the steps between levels",
        *words,
    ]
    return from_front(
        "roughing",
        tool,
        legs,
        setup=setup,
        chord=RING_CHORD,
        engagement=float(-levels[0]) + fillet(rings, tool),
    )


def check_flutes(process: Process, tool: Tool) -> None:
    """InputError unless the tool's flutes are as long as a level is deep."""
    if process.stepdown > tool.flute_length + 1e-12:
        raise InputError(
            f'process "{process.name}" stepdown_mm = {process.stepdown / MILLIMETRE:g}: must be at most the'
            f' flute_length_mm of tool "{tool.name}", {tool.flute_length / MILLIMETRE:g}. Lower it'
        )


def rings_by_level(
    waveguide: Waveguide, tool: Tool, process: Process, levels: FloatArray, *, as_far: bool = False
) -> list[list[FloatArray]]:
    """Rings (N, 2), m, of each level (L,), which the axis of the tool may follow with the stock left, the inner ones
    first. as_far : where the tool is too wide the levels end. Errors: InputError if it is and must not be, or at once.
    """
    if waveguide.is_round:
        found = _round_rings(waveguide, tool, process.stock_left, levels)
    else:
        found = (_oblong_rings(waveguide.surface, tool, process, level) for level in levels.tolist())
    rings = list[list[FloatArray]]()
    try:
        rings.extend(found)
    except InputError:
        if not (as_far and rings):
            raise
    return rings


def fillet(rings: Sequence[Sequence[FloatArray]], tool: Tool) -> float:
    """m, how high a rounded edge lets material stand above the floor of one level where the next one meets it."""
    import shapely

    reached = 0.0
    for above, below in itertools.pairwise(rings):
        outer = shapely.Polygon(above[-1])
        points = shapely.points(below[-1])
        within = np.where(shapely.contains(outer, points), 1.0, -1.0) * shapely.distance(outer.exterior, points)
        reached = max(reached, tool.corner_radius - float(within.min()) + RING_CHORD)
    reached = min(reached, tool.corner_radius)
    return tool.corner_radius - float(np.sqrt(tool.corner_radius**2 - reached**2))


def cleared(rings: list[FloatArray], level: float, above: float, process: Process, *, top: float = 0.0) -> list[Leg]:
    """One level, from the one above, and back to the middle. Rings (N, 2), m, are closed, the inner ones first.

    top : m, of the stock's upper side, from where the first level begins.
    """
    machine, first = process.machine, rings[0]
    if above == top:
        start = np.array([[*first[0], top + machine.safe_height]])
        legs = [Leg(start, machine.rapid_feed, rapid=True)]
    else:
        legs = []
    legs.append(Leg(ramp(first, above + 0.5 * LIFT, level), machine.plunge_feed))
    flat = [np.column_stack([ring, np.full(len(ring), level)]) for ring in rings]
    legs.append(Leg(np.concatenate(flat), machine.cutting_feed))
    # Back to the middle over the floor that is cleared now; the next level begins below it.
    lifted = level + LIFT
    legs.append(Leg(np.append(rings[-1][-1], lifted)[None], machine.cutting_feed))
    legs.append(Leg(np.append(first[0], lifted)[None], machine.rapid_feed, rapid=True))
    return legs


def ramp(ring: FloatArray, top: float, bottom: float) -> FloatArray:
    """(N, 3): down along a closed ring (M, 2) at the slope RAMP, as often around as it takes."""
    length = np.hypot(*np.diff(ring, axis=0).T)
    around = float(length.sum())
    turns = max(1, int(np.ceil((top - bottom) / (around * np.tan(RAMP)))))
    along = np.concatenate([[0.0], np.cumsum(np.tile(length, turns))])
    path = np.concatenate([ring[:1], np.tile(ring[1:], (turns, 1))])
    return np.column_stack([path, top + (bottom - top) * along / along[-1]])


def wide_at(tool: Tool, extra: float, above: FloatArray) -> FloatArray:
    """m, radius of a flat or bull tool grown by `extra` on all sides, at heights above its grown tip; 0 below it."""
    corner = tool.corner_radius + extra
    fall = np.sqrt(np.maximum(corner**2 - np.maximum(corner - above, 0.0) ** 2, 0.0))
    return np.asarray(np.where(above < 0.0, 0.0, tool.radius + extra - corner + fall))


def _too_wide(tool: Tool, largest: float, z: float) -> InputError:
    return InputError(
        f'tool "{tool.name}" diameter_mm = {tool.diameter / MILLIMETRE:g}: does not pass the throat with the stock left'
        f" at z_mm = {z / MILLIMETRE:.4g}: must be below {2 * largest / MILLIMETRE:.3f}. Take a smaller tool, or lower"
        " stock_left_mm"
    )


def _round_rings(waveguide: Waveguide, tool: Tool, extra: float, levels: FloatArray) -> Iterator[list[FloatArray]]:
    """Of a round wall, with `extra` m left on it."""
    wall = joined(sampled(waveguide.meridian, chord_error=_WALL))
    z, r = wall.z - waveguide.depth, wall.r
    # Dense, since between two points the wall may be nearer; and below the throat it goes straight on.
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(r)))])
    fine = np.linspace(0.0, along[-1], int(along[-1] / (10 * _WALL)) + 2)
    z, r = np.interp(fine, along, z), np.interp(fine, along, r)
    for level in levels:
        grown = float(level) - extra
        if grown < z[0]:
            z_all, r_all = np.append(z, np.linspace(grown, z[0], 50)), np.append(r, np.full(50, r[0]))
        else:
            z_all, r_all = z, r
        met = z_all >= grown
        room = float(np.min(r_all[met] - wide_at(tool, extra, z_all[met] - grown))) - _WALL
        if room <= 0.0:
            raise _too_wide(tool, tool.radius + room, max(0.0, float(level) + waveguide.depth))
        number = max(1, int(np.ceil(room / (ENGAGEMENT * (tool.radius - tool.corner_radius)))))
        yield [ring_of(room * (k + 1) / number) for k in range(number)]


def ring_of(radius: float) -> FloatArray:
    """(N, 2): a closed circle inside which the chords stay."""
    sides = max(12, int(np.ceil(np.pi / np.arccos(max(1.0 - RING_CHORD / radius, 0.0)))))
    turn = 2.0 * np.pi * np.arange(sides + 1) / sides
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


@lru_cache(maxsize=512)
def oblong_room(surface: Surface, tool: Tool, stock_left: float, level: float) -> Any:
    """The polygon within which the axis of the tool may go at a level of an oblong wall with the stock left: the common
    part of its sections less the tool's width there, m. Asked again for the rest and for the proof.

    Errors : InputError if the tool is too wide.
    """
    import shapely

    extra = stock_left + RING_CHORD
    grown = level - extra
    corner = tool.corner_radius + extra
    heights = grown + np.append(corner * (1.0 - np.cos(0.5 * np.pi * np.linspace(0.0, 1.0, _SHEETS))), 2.0 * corner)
    wide = wide_at(tool, extra, heights - grown)
    room = None
    # Between two heights the lower, smaller section and the upper, wider tool hold.
    for height, width in zip(heights[:-1], wide[1:], strict=True):
        z = min(max(float(height) + surface.depth, 0.0), surface.depth)
        if height > 0.0:
            break
        part = shapely.Polygon(section(surface, z, chord_error=RING_CHORD)).buffer(-float(width), quad_segs=32)
        room = part if room is None else room.intersection(part)
    centre = shapely.Point(0.0, 0.0)
    if room is None or room.is_empty or not room.contains(centre):
        throat = surface.throat_radius - stock_left
        raise _too_wide(tool, throat, max(0.0, level + surface.depth))
    return room


def _oblong_rings(surface: Surface, tool: Tool, process: Process, level: float) -> list[FloatArray]:
    """As _round_rings of one level of an oblong wall."""
    import shapely

    room, centre = oblong_room(surface, tool, process.stock_left, level), shapely.Point(0.0, 0.0)
    inner = float(room.exterior.distance(centre))
    number = max(1, int(np.ceil(inner / (ENGAGEMENT * (tool.radius - tool.corner_radius)))))
    rings = []
    for k in range(number):
        ring = room.buffer(-inner * (1.0 - (k + 1) / number), quad_segs=32)
        points = np.asarray(shapely.simplify(ring, 0.5 * RING_CHORD).exterior.coords)
        points = points if shapely.is_ccw(shapely.LinearRing(points)) else points[::-1]
        start = int(np.argmin(np.abs(np.arctan2(points[:-1, 1], points[:-1, 0]))))
        rings.append(np.concatenate([points[start:-1], points[: start + 1]]))
    return rings
