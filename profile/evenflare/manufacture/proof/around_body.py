"""What a body's programs should leave: one side of its outside, met in height where it slopes, else along the path."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.operations import AFTER_FLIP, MIDDLE, OUTSIDE_FRONT, sides_in
from evenflare.manufacture.milling.outside_milled import held_of
from evenflare.manufacture.milling.outside_sides import milled_side
from evenflare.manufacture.milling.turning_outside import OUTSIDE, OUTSIDE_BACK
from evenflare.manufacture.part.oblong_sides import OblongSide
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.sides import Side
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.proof.around_oblong import AskedOblong
from evenflare.manufacture.proof.deviation import Worst
from evenflare.manufacture.proof.truth import STEEP, Truth
from evenflare.manufacture.wall.scallop import stepover
from evenflare.units import MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide import Waveguide

PLACES = 500
"""Along a side, at which it is looked how near the cutter comes: on 150 mm 0.3 mm apart, less than a stepover."""
SIDE_OF = {OUTSIDE: 0, OUTSIDE_BACK: 1, **dict.fromkeys(OUTSIDE_FRONT, 0), **dict.fromkeys(AFTER_FLIP, 1)}
"""Which side of a body a program cuts."""
REACH = 1 * MILLIMETRE
"""Beyond its radius, within which a path's places count for a place of the outside."""


class AskedSide(NamedTuple):
    """side : what is cut. flat : m, from which radius its end's plane is cut too. top, tabs, half : of what holds the
    body there: the lowest z of a tip, azimuths (rad), half the width, m, within which it counts, and the radius, m,
    from which on the outside is then not finished; 0: it is everywhere. See Held.
    """

    side: Side
    flat: float
    top: float = -np.inf
    tabs: tuple[float, ...] = ()
    half: float = 0.0
    low: float = 0.0


def asked_sides(
    waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes
) -> tuple[AskedSide | AskedOblong, ...]:
    """Of a body whose outside is in programs: a lathe faces its ends too, a router has them planed."""
    turned, hold = "lathe_programs" in process.makes, process.hold_down
    if not (process.outside_tool if turned else process.profile_tool and hold):
        return ()
    try:
        found = sides_in(waveguide, sizes, share=1.0 if turned else MIDDLE)
    except InputError:  # It is in no program.
        return ()
    if not found:
        return ()
    front, back = found
    if turned or hold is None:
        assert isinstance(front, Side)  # A lathe's part is round.
        assert isinstance(back, Side)
        return AskedSide(front, waveguide.meridian.mouth_radius), AskedSide(back, 0.5 * process.seat.diameter)
    held = held_of(process, hold, milled_side(back))
    half = 0.5 * hold.tab_width + 2.0 * process.tool(process.profile_tool).diameter
    ball = process.tool(process.finishing_tool).radius
    # Where the next turn is lifted over a tab, the ridge before it is the higher.
    top = held.top + float(stepover(process.scallop_height, radius=ball))
    return _asked(front, ball, -np.inf, held.tabs[:0], 0.0), _asked(back, ball, top, held.tabs, half)


def _asked(side: Side | OblongSide, ball: float, top: float, tabs: FloatArray, half: float) -> AskedSide | AskedOblong:
    if isinstance(side, OblongSide):
        return AskedOblong(side, top, tabs, half)
    tip = side.line.z + ball * (np.sin(side.line.angle) - 1.0)
    low = float(np.interp(-top, -tip, side.line.r)) if top > -np.inf else 0.0
    return AskedSide(side, side.inner, top, tuple(np.arctan2(tabs[:, 1], tabs[:, 0]).tolist()), half, low)


def flat_truth(radius: tuple[float, float], size: float, *, step: float, turned: bool) -> Truth:
    """The plane of a body's back, between two radii, on a raster out to `size`; m. z = 0 in it."""
    count = round(size / step) + 1
    x = step * np.arange(count)
    distance = np.hypot(x[:, None], x[:1] if turned else x)
    on = (distance > radius[0]) & (distance < radius[1])
    none = np.empty((1 if turned else 4, 0))
    heights = np.zeros(distance.shape)
    return Truth(
        step,
        heights,
        np.where(on, 1.0, np.nan),
        np.zeros(distance.shape, dtype=bool),
        none,
        none,
        0.0,
        "half_section" if turned else "quarter",
    )


def side_raster(heights: FloatArray, x: FloatArray, y: FloatArray, upright: float, asked: AskedSide) -> FloatArray:
    """(X, Y) signed departures along the normal, m, nan where nothing is compared. x, y : m, broadcast."""
    line, distance = asked.side.line, np.hypot(x, y)
    target = np.interp(distance, line.r, line.z)
    slope = np.interp(distance, line.r, np.sin(line.angle))
    on = (distance > asked.side.inner) & (slope > np.sin(STEEP)) & (distance < asked.side.widest)
    on |= (distance > asked.flat + upright) & (distance <= asked.side.inner)
    on &= np.isfinite(heights)
    off = np.where(on, (np.where(on, heights, 0.0) - target) * slope, np.nan)
    held = (asked.low > 0.0) & (distance > asked.low)
    if asked.tabs:
        azimuth = np.arctan2(y, x)
        turns = np.min([np.abs(np.sin(0.5 * (azimuth - tab))) for tab in asked.tabs], axis=0)
        held &= 2.0 * distance * turns < asked.half
    return np.where(held & (off > 0.0), 0.0, off)


def side_walls(tool: Tool, path: FloatArray, asked: AskedSide, number: IntArray, bins: int) -> tuple[Worst, Worst]:
    """Gouge and leftover of a ball or nose: in the plane through the axis it is a circle, and touches the line or not.

    path : (N, 3), m, of the tip; number : (N,), of the azimuth that each of its places counts to.
    """
    line, radius = asked.side.line, tool.corner_radius
    nothing = Worst(0.0, (0.0, 0.0, 0.0))
    if tool.kind not in ("ball", "turning"):
        return nothing, nothing  # Roughing leaves stock, and its gouges show in height.
    if not len(path):
        return nothing, Worst(-asked.side.lowest, (asked.side.widest, 0.0, asked.side.lowest))
    away, height = np.hypot(path[:, 0], path[:, 1]), path[:, 2] + radius
    middle = 2.0 * np.pi * (np.arange(bins) + 0.5) / bins
    gouge, leftover = nothing, nothing
    along = np.concatenate(
        [[0.0], np.cumsum(np.hypot(np.diff(line.z), np.diff(line.r)) + radius * np.diff(line.angle))]
    )
    places = np.linspace(0.0, along[-1], PLACES)
    z, r, angle = (np.interp(places, along, column) for column in (line.z, line.r, line.angle))
    order = np.argsort(height, kind="stable")
    low = np.searchsorted(height[order], z - radius - REACH)
    high = np.searchsorted(height[order], z + radius + REACH)
    for k in range(PLACES):
        near = order[low[k] : high[k]]
        nearest = np.full(bins, np.inf)
        room = np.hypot(away[near] - r[k], height[near] - z[k]) - radius
        if near.size:
            deepest = int(room.argmin())
            x, y = (path[near[deepest], :2] * r[k] / max(away[near[deepest]], 1e-9)).tolist()
            here = (x, y, float(z[k]))
            gouge = max(gouge, Worst(max(0.0, -float(room[deepest])), here), key=lambda worst: worst.size)
            np.minimum.at(nearest, number[near], room)
        if z[k] + radius * (np.sin(angle[k]) - 1.0) < asked.top:
            if not asked.tabs:
                continue
            beside = np.min([np.abs(np.sin(0.5 * (middle - tab))) for tab in asked.tabs], axis=0) * 2.0 * r[k]
            nearest[beside < asked.half + 2.0 * np.pi * r[k] / bins] = 0.0
        worst = int(nearest.argmax())
        size = min(float(nearest[worst]), asked.side.widest)
        turn = middle[worst] if bins > 1 else 0.0
        here = (float(r[k] * np.cos(turn)), float(r[k] * np.sin(turn)), float(z[k]))
        leftover = max(leftover, Worst(max(0.0, size), here), key=lambda worst: worst.size)
    return gouge, leftover
