"""What programs should leave beside the wall: holes, countersinks, outside, rebate and edge, and how a cut
workpiece departs from that.

Floors and slopes are compared in height, cell by cell. Upright walls, of which a height says nothing, are held against
the path itself: how far the cutter's flank, or its ball, comes to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.manufacture.milling.drilling import PIN_GRIP, pin_places, tip_height
from evenflare.manufacture.milling.facing import FACING_BACK
from evenflare.manufacture.milling.operations import (
    COUNTERSINKS,
    EDGE,
    HOLES,
    PINS,
    PROFILE,
    REBATE,
    stock_height,
    tab_places,
    thickness,
)
from evenflare.manufacture.milling.profile import THROUGH
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.turning_outside import OUTSIDE
from evenflare.manufacture.part.bolts import front_places
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rim import Footprint, edge_inset, rim_of
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.proof.around_body import SIDE_OF, AskedSide, asked_sides, side_raster, side_walls
from evenflare.manufacture.proof.around_oblong import ALONG, AskedOblong, oblong_raster, oblong_walls
from evenflare.manufacture.proof.back_truth import UPRIGHT
from evenflare.manufacture.proof.deviation import Deviation, Worst, compared
from evenflare.manufacture.proof.hole_walls import NOTHING, Upright, hole_walls
from evenflare.manufacture.proof.simulate import Workpiece
from evenflare.manufacture.proof.truth import STEEP
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray
from evenflare.waveguide import Waveguide

BINS = 360
"""Azimuths at which it is looked whether a cutter came near enough."""
LEVELS = 48
"""Heights at which an upright wall is looked at."""
ON_ARC = 400
"""Places of a rounded edge's arc: with a radius of 10 mm 0.04 mm apart, a tenth of a stepover."""
DENSE = 0.5 * MILLIMETRE
"""Between places of a path: the chord of a circle of 50 mm departs by 0.6 um; and
TURNED_DENSE of a lathe's, whose nose of 0.4 mm stands 0.1 um further off half-way."""
TURNED_DENSE = 0.02 * MILLIMETRE


@dataclass(frozen=True)
class Around:
    """What is asked beside the wall, m; z = 0 at the front face.

    thick      : of what is cut round and drilled through; kept : of that, what the profile leaves at the back.
    places     : (x, y) of the front's holes; pins : of the pins', pin_diameter wide, pin_deep.
    tabs       : (N, 2), their middles on the outside, `tab_width` wide.
    turned_to  : how far down a lathe turns the outside.
    sides      : of a body, its front and its back.
    """

    rim: Footprint
    features: Features
    thick: float
    kept: float
    places: Sequence[tuple[float, float]]
    pins: Sequence[tuple[float, float]]
    pin_diameter: float
    pin_deep: float
    tabs: FloatArray
    tab_width: float
    turned_to: float = 0.0
    sides: tuple[AskedSide | AskedOblong, ...] = ()


def around_part(
    waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes, features: Features, *, pinned: bool
) -> Around:
    """What a process' programs should leave. pinned : whether one of them drills for pins."""
    hold, thick = process.hold_down, thickness(waveguide, process, sizes)
    rim, whole = rim_of(sizes), sizes.kind == "block"
    return Around(
        rim=rim,
        features=features,
        thick=thick,
        kept=hold.kept if hold is not None and whole else 0.0,
        places=front_places(sizes, features.front),
        pins=pin_places(process, hold, rim) if hold is not None and pinned else (),
        pin_diameter=0.0 if hold is None else hold.pin_diameter,
        pin_deep=stock_height(waveguide, process),
        tabs=tab_places(process, sizes),
        tab_width=0.0 if hold is None else hold.tab_width,
        turned_to=thick + (process.parting if sizes.kind != "shell" else 0.0),
        sides=asked_sides(waveguide, process, sizes),
    )


def departures(program: Program, piece: Workpiece, around: Around) -> Deviation:
    """Gouge and leftover of what a program of OPERATIONS was to cut, on the workpiece that it left."""
    step = piece.truth.step
    x, y = (low + step * np.arange(n) for low, n in zip(piece.origin, piece.heights.shape, strict=True))
    if around.sides and program.name in SIDE_OF:
        asked, turned = around.sides[SIDE_OF[program.name]], program.kind == "turning"
        if isinstance(asked, AskedOblong):
            off = oblong_raster(program.tool, piece.heights, x[:, None], y, asked)
            walls = oblong_walls(program.tool, dense(program, step=ALONG), asked)
            return compared(piece, off, upright=walls)
        off = side_raster(piece.heights, x[:, None], y, UPRIGHT * step, asked)
        path, bins = dense(program), 1 if turned else BINS
        return compared(piece, off, upright=side_walls(program.tool, path, asked, _bins(path, bins), bins))
    off = _RASTERS[program.name](program.tool, piece.heights, x[:, None], y, UPRIGHT * step, around)
    path = dense(program)
    return compared(piece, off, upright=_UPRIGHT[program.name](program.tool, path, around))


def dense(program: Program, *, step: float = DENSE) -> FloatArray:
    """(N, 3), m: places along the cutting moves that reach the front face, a step apart or TURNED_DENSE."""
    step = TURNED_DENSE if program.kind == "turning" else step
    start, end = program.position[:-1], program.position[1:]
    cutting = ~program.rapid[1:] & (np.minimum(start[:, 2], end[:, 2]) <= 0.0)
    start, end = start[cutting], end[cutting]
    if not len(start):
        return np.empty((0, 3))
    pieces = np.maximum(1, np.ceil(np.linalg.norm(end - start, axis=1) / step)).astype(int)
    number = np.repeat(np.arange(len(pieces)), pieces)
    share = (np.arange(1, len(number) + 1) - (np.cumsum(pieces) - pieces)[number]) / pieces[number]
    return np.vstack([start[:1], start[number] + share[:, None] * (end - start)[number]])


# Rasters: (X, Y) signed departures along the normal, m, nan where nothing is compared.


def _pin_raster(tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around) -> FloatArray:
    return _open_holes(heights, x, y, a.pins, 0.5 * a.pin_diameter - upright, a.pin_deep)


def _hole_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    return _open_holes(heights, x, y, a.places, 0.5 * a.features.front.diameter - upright, a.thick)


def _open_holes(
    heights: FloatArray, x: FloatArray, y: FloatArray, places: Sequence[tuple[float, float]], radius: float, deep: float
) -> FloatArray:
    """Holes that go through: they may be deeper."""
    inside = np.zeros(heights.shape, dtype=bool)
    for hole_x, hole_y in places:
        inside |= np.hypot(x - hole_x, y - hole_y) < radius
    return np.where(inside, np.maximum(heights + deep, 0.0), np.nan)


def _sink_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    front, off = a.features.front, np.full(heights.shape, np.nan)
    half = 0.5 * front.countersink_angle
    for hole_x, hole_y in a.places:
        away = np.hypot(x - hole_x, y - hole_y)
        on = (away > 0.5 * front.diameter + upright) & (away < 0.5 * front.countersink - upright)
        target = (away - 0.5 * front.countersink) / np.tan(half)
        off = np.where(on, (heights - target) * np.sin(half), off)
    return off


def _profile_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    away = a.rim.off(x, y)
    slot = (away > upright) & (away < tool.diameter - upright)
    if not a.rim.round:  # Off a corner the slot is round.
        slot &= (np.abs(x) < a.rim.half[0]) | (np.abs(y) < a.rim.half[1])
    skin = len(a.tabs) == 0 and a.kept > 0.0
    floor = np.where(away < tool.corner_radius + upright, np.nan, heights + a.thick - a.kept)
    off = np.where(slot, floor if skin else np.maximum(heights + a.thick, 0.0), np.nan)
    if not skin:
        off[slot & (away < tool.corner_radius + upright)] = np.nan
    for tab in a.tabs:
        out = _outward(a.rim, tab)
        along, ahead = np.abs((x - tab[0]) * out[1] - (y - tab[1]) * out[0]), x * out[0] + y * out[1] > 0.0
        beside = slot & ahead & (along < 0.5 * a.tab_width + 2.0 * tool.diameter)
        off[beside] = np.nan
        core = slot & ahead & (along < 0.5 * a.tab_width - upright)
        off = np.where(core, np.minimum(heights + a.thick - a.kept, 0.0), off)
    return off


def _outward(rim: Footprint, place: FloatArray) -> FloatArray:
    """Unit vector outward at a place on the outside."""
    if rim.round:
        return np.asarray(place / np.hypot(*place))
    sides = np.abs(np.abs(place) - rim.half)
    return np.asarray(np.where(sides == sides.min(), np.sign(place), 0.0))


def _rebate_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    away = a.rim.off(x, y)
    on = (away > upright - a.features.rebate_width) & (away < -upright)
    return np.where(on, heights + a.features.rebate_depth, np.nan)


def _edge_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    radius = a.features.edge_radius
    out = (a.rim.off(x, y) + radius) / radius
    rise = np.sqrt(np.maximum(1.0 - out**2, 0.0))
    on = (out > 0.0) & (rise > np.sin(STEEP))
    return np.where(on, (np.where(on, heights, 0.0) + radius * (1.0 - rise)) * rise, np.nan)


def _outside_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    """Of a half-section: face, edge or rebate, and what lies beyond the outside as far as one pass goes."""
    away, features, nose = a.rim.off(x, y), a.features, tool.corner_radius
    rim = max(features.edge_radius, features.rebate_width)
    off = np.where((away < -rim - upright) & np.isfinite(heights), heights, np.nan)
    beyond = (away > nose) & (away < 2.0 * nose)
    off = np.where(beyond, np.maximum(heights + a.turned_to - nose, 0.0), off)
    if features.edge_radius > 0.0:
        edge = _edge_raster(tool, heights, x, y, upright, a)
        return np.where(np.isfinite(edge), edge, off)
    # In its corner a rebate keeps the nose's radius.
    floor = (away > nose + upright - features.rebate_width) & (away < -upright)
    return np.where(floor, heights + features.rebate_depth, off) if features.has_rim else off


# Upright walls, from the path.


def _pin_walls(tool: Tool, path: FloatArray, a: Around) -> Upright:
    tip = -a.pin_deep - PIN_GRIP - tip_height(tool)
    return hole_walls(tool, path, a.pins, 0.5 * a.pin_diameter, tip=tip)


def _front_walls(tool: Tool, path: FloatArray, a: Around) -> Upright:
    tip = -a.thick - THROUGH - tip_height(tool)
    return hole_walls(tool, path, a.places, 0.5 * a.features.front.diameter, tip=tip)


def _nothing(tool: Tool, path: FloatArray, a: Around) -> Upright:
    return Upright(NOTHING, NOTHING)


def _profile_walls(tool: Tool, path: FloatArray, a: Around) -> Upright:
    levels = -np.linspace(0.0, a.thick - a.kept, LEVELS)
    # What a tab or a skin keeps, a cutter with a rounded end keeps a little higher beside the wall.
    low = a.kept + tool.corner_radius if a.kept else 0.0
    finished = (levels < -a.features.edge_radius) & (levels > low - a.thick)
    return _walls(tool, path, a.rim, levels, edge_inset(-levels, radius=a.features.edge_radius), finished)


def _rebate_walls(tool: Tool, path: FloatArray, a: Around) -> Upright:
    levels = -np.linspace(0.0, a.features.rebate_depth, 9)[:-1]
    inset = np.full(levels.size, a.features.rebate_width)
    return _walls(tool, path, a.rim, levels, inset, np.full(levels.size, True))


def _outside_walls(tool: Tool, path: FloatArray, a: Around) -> Upright:
    """Of a turned part: the nose is a ball in the half-section, and all azimuths are one."""
    wide, deep = a.features.rebate_width, a.features.rebate_depth
    levels = -np.linspace(0.0, a.turned_to - tool.corner_radius, LEVELS)
    above = (levels > -deep) & (wide > 0.0)
    inset = np.where(above, wide, edge_inset(-levels, radius=a.features.edge_radius))
    finished = (levels < -a.features.edge_radius) & ~(above & (levels < tool.corner_radius - deep))
    seen = _walls(tool, path, a.rim, levels, inset, finished, bins=1)
    if a.features.edge_radius == 0.0:
        return seen
    arc = _edge_walls(tool, path, a, bins=1)
    return Upright(*(max(pair, key=lambda worst: worst.size) for pair in zip(seen, arc, strict=True)))


def _walls(
    tool: Tool,
    path: FloatArray,
    rim: Footprint,
    levels: FloatArray,
    inset: FloatArray,
    finished: BoolArray,
    *,
    bins: int = BINS,
) -> Upright:
    """Of a wall that lies `inset` inside the outside at each of `levels` (L,); leftover where it is finished."""
    if not len(path):
        return Upright(NOTHING, Worst(rim.half[0], (rim.half[0], 0.0, 0.0)))
    away, number = rim.off(*path[:, :2].T), _bins(path, bins)
    gouge, leftover = NOTHING, NOTHING
    for level, inside, done in zip(levels.tolist(), inset.tolist(), finished.tolist(), strict=True):
        room = np.where(path[:, 2] < level - 1e-9, away + inside - _wide(tool, level - path[:, 2]), np.inf)
        deepest = int(room.argmin())
        here = (float(path[deepest, 0]), float(path[deepest, 1]), level)
        gouge = max(gouge, Worst(max(0.0, -float(room[deepest])), here), key=lambda worst: worst.size)
        if done:
            nearest = np.full(bins, np.inf)
            np.minimum.at(nearest, number, room)
            leftover = max(leftover, _at_bin(nearest, rim, level), key=lambda worst: worst.size)
    return Upright(gouge, leftover)


def _wide(tool: Tool, above: FloatArray) -> FloatArray:
    """m, radius of a cutter at heights above its tip."""
    corner = tool.corner_radius
    fall = np.sqrt(np.maximum(corner**2 - np.maximum(corner - above, 0.0) ** 2, 0.0))
    return np.asarray(tool.radius - corner + fall)


def _edge_walls(tool: Tool, path: FloatArray, a: Around, *, bins: int = BINS) -> Upright:
    """Of a rounded edge and a ball: both are circles in the plane across the edge."""
    radius = a.features.edge_radius
    if not len(path):
        return Upright(NOTHING, Worst(radius, (a.rim.half[0], 0.0, 0.0)))
    away, height, number = a.rim.off(*path[:, :2].T), path[:, 2] + tool.radius, _bins(path, bins)
    gouge, leftover = NOTHING, NOTHING
    for angle in np.linspace(0.0, 0.5 * np.pi, ON_ARC).tolist():
        out, level = radius * (np.cos(angle) - 1.0), radius * (np.sin(angle) - 1.0)
        room = np.hypot(away - out, height - level) - tool.radius
        deepest = int(room.argmin())
        here = (float(path[deepest, 0]), float(path[deepest, 1]), float(level))
        gouge = max(gouge, Worst(max(0.0, -float(room[deepest])), here), key=lambda worst: worst.size)
        nearest = np.full(bins, np.inf)
        np.minimum.at(nearest, number, room)
        leftover = max(leftover, _at_bin(nearest, a.rim, level), key=lambda worst: worst.size)
    return Upright(gouge, leftover)


def _bins(path: FloatArray, bins: int) -> IntArray:
    turn = np.arctan2(path[:, 1], path[:, 0]) / (2.0 * np.pi)
    return np.asarray(np.floor(bins * (turn % 1.0)).astype(np.int64) % bins)


def _at_bin(nearest: FloatArray, rim: Footprint, level: float) -> Worst:
    worst = int(nearest.argmax())
    turn = 2.0 * np.pi * (worst + 0.5) / nearest.size if nearest.size > 1 else 0.0
    size = min(float(nearest[worst]), rim.half[0])
    return Worst(max(0.0, size), (float(rim.half[0] * np.cos(turn)), float(rim.half[1] * np.sin(turn)), level))


def _face_raster(
    tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, a: Around
) -> FloatArray:
    return np.where(a.rim.off(x, y) < -upright, heights, np.nan)


_RASTERS = {
    FACING_BACK: _face_raster,
    PINS: _pin_raster,
    HOLES: _hole_raster,
    COUNTERSINKS: _sink_raster,
    PROFILE: _profile_raster,
    REBATE: _rebate_raster,
    EDGE: _edge_raster,
    OUTSIDE: _outside_raster,
}
_UPRIGHT = {
    FACING_BACK: _nothing,
    PINS: _pin_walls,
    HOLES: _front_walls,
    COUNTERSINKS: _nothing,
    PROFILE: _profile_walls,
    REBATE: _rebate_walls,
    EDGE: _edge_walls,
    OUTSIDE: _outside_walls,
}
