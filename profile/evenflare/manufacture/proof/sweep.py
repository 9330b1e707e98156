"""What a moving tool removes: exact along vertical lines of a height map, and along horizontal rays from the axis.

A cutter is convex and turns, so that above each height it is a disc. A straight move sweeps it over a place at a
distance s along and w across the move; the lowest point of what is swept there is the least of a convex function of
the way gone, the farthest point along a ray the greatest of a concave one. Balls, flat ends and flanks have closed
forms; a rounded edge and a drill's cone are sought by halving. A tool is its kind, radius and corner's radius; of a
drill the last is the rise of its point per radius. Lengths in m. Compiled; holds no Python objects.
"""

from __future__ import annotations

import math

import numpy as np

from evenflare.compiled import njit
from evenflare.manufacture.proof.turned_depth import turned_depth
from evenflare.manufacture.proof.underside import BALL, DRILL, FLAT, HALVINGS, under, under_ball
from evenflare.units import BoolArray, FloatArray

SKIN = 1e-6
"""m, by which a tool is taken smaller where it must not touch: rounding of a program's last digit is no contact."""
SLIVER = 0.05e-3
"""m beside a tool's path within which material is rubbed off, and no depth of it counts."""
ROUNDED = 1.0 + 1e-12
"""Of a radius squared: what is outside by more is so for all that rounding does."""
_SECTIONS = 40
_GOLDEN = 0.6180339887498949
"""A move of 100 mm comes down to 0.4 nm."""


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _span(low: float, high: float, rate: float, offset: float, least: float, most: float) -> tuple[float, float]:
    """The part of [low, high] where least <= rate x + offset <= most."""
    if abs(rate) < 1e-9:
        return (low, high) if least <= offset <= most else (1.0, 0.0)
    one, other = (least - offset) / rate, (most - offset) / rate
    return max(low, min(one, other)), min(high, max(one, other))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def lowered(
    heights: FloatArray,
    origin: tuple[float, float],
    step: float,
    start: FloatArray,
    end: FloatArray,
    tool: tuple[int, float, float],
    stride: int,
    cut: bool,
) -> tuple[float, float, float, float, float, float, float, float]:
    """Lower the cells that one move of the tip sweeps, and tell the deepest cut: depth, x, y, height before; then how
    long a part of the cutter along its axis met material, and where that reached highest: length, x, y, height.

    heights : (X, Y), at origin + step (i, j). With `cut` false they are only looked at.
    stride  : looks at every so many cells each way.
    """
    kind, radius, corner = tool
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy)
    if length > 1e-9:
        ux, uy, slope, tip = dx / length, dy / length, (end[2] - start[2]) / length, start[2]
    else:
        length, ux, uy, slope, tip = 0.0, 1.0, 0.0, 0.0, min(start[2], end[2])
    hypotenuse = math.sqrt(1.0 + slope * slope)
    tilt, upright, square, way = slope / hypotenuse, 1.0 / hypotenuse, radius * radius, length * hypotenuse
    # All that a move sweeps lies within a circle about its middle.
    lowest, around = tip + min(slope * length, 0.0), (radius + 0.5 * length) ** 2
    deepest, at_x, at_y, before = 0.0, 0.0, 0.0, 0.0
    engaged, top, bottom, top_x, top_y = radius - SLIVER, -math.inf, math.inf, 0.0, 0.0
    first = max(0, math.ceil((min(start[0], end[0]) - radius - origin[0]) / step))
    last = min(heights.shape[0] - 1, math.floor((max(start[0], end[0]) + radius - origin[0]) / step))
    for i in range(stride * ((first + stride - 1) // stride), last + 1, stride):
        x = origin[0] + i * step - start[0]
        y_low, y_high = min(0.0, dy) - radius, max(0.0, dy) + radius
        if length > radius:
            # Of a shorter move little else lies in the circle.
            y_low, y_high = _span(y_low, y_high, uy, ux * x, -radius, length + radius)
            y_low, y_high = _span(y_low, y_high, ux, -uy * x, -radius, radius)
        beside = math.sqrt(max(around - (x - 0.5 * dx) ** 2, 0.0))
        y_low, y_high = max(y_low, 0.5 * dy - beside), min(y_high, 0.5 * dy + beside)
        if y_low > y_high:
            continue
        j_low = max(0, math.ceil((start[1] + y_low - origin[1]) / step))
        j_high = min(heights.shape[1] - 1, math.floor((start[1] + y_high - origin[1]) / step))
        for j in range(stride * ((j_low + stride - 1) // stride), j_high + 1, stride):
            # Most of what lies under a tool has been cut by its last moves already.
            held = heights[i, j]
            if held <= lowest:
                continue
            y = origin[1] + j * step - start[1]
            s, w = ux * x + uy * y, ux * y - uy * x
            if kind == BALL:
                # Most cells lie outside the ball's endless cylinder and below its axis, or outside the ball at either
                # end and below its middle, and are spared the roots.
                above = held - tip - radius
                beside, along = upright * above - tilt * s, upright * s + tilt * above
                if beside < 0.0:
                    across = w * w + beside * beside
                    if across >= square:
                        continue
                    over, end = (-along, above) if along < 0.0 else (along - way, above - slope * length)
                    if over > 0.0 and end < 0.0 and across + over * over >= ROUNDED * square:
                        continue
                height = under_ball(radius, s, w, length, slope, tilt, upright, tip)
            else:
                height = under(kind, radius, corner, s, w, length, slope, tip, held)
            off = held - height
            if off > 0.0:
                if abs(w) < engaged:
                    bottom = min(bottom, height)
                    if held > top:
                        top, top_x, top_y = held, origin[0] + i * step, origin[1] + j * step
                if off > deepest:
                    deepest, at_x, at_y, before = off, origin[0] + i * step, origin[1] + j * step, held
                if cut:
                    heights[i, j] = height
    return deepest, at_x, at_y, before, max(top - bottom, 0.0), top_x, top_y, top


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def milled(
    heights: FloatArray,
    origin: tuple[float, float],
    step: float,
    points: FloatArray,
    rapid: BoolArray,
    tool: tuple[int, float, float],
    collars: FloatArray,
    stride: int,
    bar: float,
    outward: float,
) -> FloatArray:
    """Run a program over a height map. Its greatest engagement, and the deepest contact of a rapid move, of each
    collar, and of a boring bar.

    points  : (M, 3), of the tip; rapid : (M,), of the move that ends there.
    collars : (K, 2): radius, and height above the tip of the underside, of shank and holder.
    bar     : height of a boring bar across the axis, from the insert's outermost point toward the axis and beyond it;
              0: none.
    outward : of a half-section, see turned_depth.
    Returns : (3 + K, 5): depth, x, y, height of the material, and the point that the move goes to; 0 depth if none.
              Engagement comes first: along the tool's axis, or over a half-section across the feed (see turned_depth).
    """
    kind, radius, corner = tool
    top, turned = heights.max(), heights.shape[1] == 1
    contacts = np.zeros((3 + collars.shape[0], 5))
    small = (kind, radius - SKIN, corner if kind == DRILL else min(corner, radius - SKIN))
    lift = points[0] * 0.0
    lift[2] = SKIN
    for move in range(1, points.shape[0]):
        start, end = points[move - 1], points[move]
        lowest = min(start[2], end[2])
        if lowest < top:
            if rapid[move]:
                found = lowered(heights, origin, step, start + lift, end + lift, small, 1, False)
                if found[0] > contacts[1, 0]:
                    contacts[1, :4], contacts[1, 4] = found[:4], move
            if turned:
                deep, at, high = turned_depth(heights[:, 0], origin[0], step, start, end, radius, outward)
                if deep > contacts[0, 0]:
                    contacts[0, :4], contacts[0, 4] = (deep, at, 0.0, high), move
            met = lowered(heights, origin, step, start, end, tool, 1, True)
            if not turned and met[4] > contacts[0, 0]:
                contacts[0, :4], contacts[0, 4] = met[4:], move
            cell = math.floor((bar - radius - min(start[0], end[0])) / step)
            if bar > 0.0 and cell >= 0:
                cell = min(cell, heights.shape[0] - 1)
                deep = heights[cell, 0] - lowest - SKIN
                if deep > contacts[-1, 0]:
                    contacts[-1, :3], contacts[-1, 3], contacts[-1, 4] = (
                        (deep, -cell * step, 0.0),
                        heights[cell, 0],
                        move,
                    )
        for k in range(collars.shape[0]):
            if lowest + collars[k, 1] + SKIN < top:
                lift[2] = collars[k, 1] + SKIN
                disc = (FLAT, collars[k, 0] - SKIN, 0.0)
                found = lowered(heights, origin, step, start + lift, end + lift, disc, stride, False)
                if found[0] > contacts[2 + k, 0]:
                    contacts[2 + k, :4], contacts[2 + k, 4] = found[:4], move
                lift[2] = SKIN
    return contacts


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _farthest(
    along: float, d_along: float, e0: float, d0: float, e1: float, d1: float, radius: float, low: float, high: float
) -> tuple[float, float]:
    """Far and near end of a ray's chord through a ball (or, with e1 = d1 = 0, a disc) at the farthest place of a move.

    The centre lies `along` the ray and (e0, e1) beside it, each growing by its d over the way 0 to 1, of which only
    low to high counts. (-inf, inf) where it misses.
    """
    square = d0 * d0 + d1 * d1
    if square < 1e-24:
        way = high if d_along > 0.0 else low
        rest = radius * radius - (e0 + way * d0) ** 2 - (e1 + way * d1) ** 2
    else:
        nearest = -(e0 * d0 + e1 * d1) / square
        room = radius * radius - (e0 + nearest * d0) ** 2 - (e1 + nearest * d1) ** 2
        if room < 0.0:
            return -math.inf, math.inf
        way = nearest + d_along * math.sqrt(room / (square * (square + d_along * d_along)))
        way = min(max(way, low), high)
        rest = room - square * (way - nearest) ** 2
    if rest < 0.0:
        return -math.inf, math.inf
    half = math.sqrt(rest)
    return along + way * d_along + half, along + way * d_along - half


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _wide(tool: tuple[int, float, float], above: float) -> float:
    """Radius of a tool at a height >= 0 above its tip."""
    kind, radius, corner = tool
    if kind == DRILL:
        return min(radius, max(above, 0.0) / corner)
    if above >= corner:
        return radius
    return radius - corner + math.sqrt(max(above * (2.0 * corner - above), 0.0))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _sought(
    tool: tuple[int, float, float],
    along: float,
    d_along: float,
    across: float,
    d_across: float,
    above: float,
    rise: float,
) -> tuple[float, float]:
    """As _farthest, for any cutter, `above` the tip: the ways at which it meets the ray are one stretch, on which the
    far end is concave. Golden sections find a way within it, halving its ends, golden sections the farthest.
    """
    low, high = _span(0.0, 1.0, -rise, above, 0.0, math.inf)
    if low > high:
        return -math.inf, math.inf
    if rise == 0.0:
        # A level move meets the ray with one disc.
        found: tuple[float, float] = _farthest(
            along, d_along, across, d_across, 0.0, 0.0, _wide(tool, above), low, high
        )
        return found
    first, last = low, high
    for _ in range(_SECTIONS):
        one, other = last - _GOLDEN * (last - first), first + _GOLDEN * (last - first)
        if _wide(tool, above - one * rise) - abs(across + one * d_across) > _wide(tool, above - other * rise) - abs(
            across + other * d_across
        ):
            last = other
        else:
            first = one
    inside = 0.5 * (first + last)
    if _wide(tool, above - inside * rise) < abs(across + inside * d_across):
        return -math.inf, math.inf
    first = last = inside
    for _ in range(HALVINGS):
        one, other = 0.5 * (low + first), 0.5 * (last + high)
        if _wide(tool, above - one * rise) >= abs(across + one * d_across):
            first = one
        else:
            low = one
        if _wide(tool, above - other * rise) >= abs(across + other * d_across):
            last = other
        else:
            high = other
    for _ in range(_SECTIONS):
        one, other = last - _GOLDEN * (last - first), first + _GOLDEN * (last - first)
        near_one = math.sqrt(max(_wide(tool, above - one * rise) ** 2 - (across + one * d_across) ** 2, 0.0))
        near_other = math.sqrt(max(_wide(tool, above - other * rise) ** 2 - (across + other * d_across) ** 2, 0.0))
        if one * d_along + near_one > other * d_along + near_other:
            last = other
        else:
            first = one
    way = 0.5 * (first + last)
    half = math.sqrt(max(_wide(tool, above - way * rise) ** 2 - (across + way * d_across) ** 2, 0.0))
    return along + way * d_along + half, along + way * d_along - half


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def bored(
    reach: FloatArray,
    wall: FloatArray,
    lowest: float,
    step: float,
    directions: FloatArray,
    points: FloatArray,
    tool: tuple[int, float, float],
) -> None:
    """Run a program over rays from the axis: `reach` becomes how far along each the bore is cut.

    reach, wall : (A, Z), at heights lowest + step j; a wall that is nan is not looked at. A cut that begins beyond the
                  wall is no part of the bore.
    directions  : (A, 2), unit, at even angles from half a step on.
    A cutter's flank reaches all rows above; only the first is written: take the running maximum upward at the end.
    """
    kind, radius, corner = tool
    # How far the tool's end, below its flank, reaches up.
    shaped = radius * corner if kind == DRILL else corner
    count, rows = reach.shape
    turn = 2.0 * math.pi / count
    above_tip = radius if kind == BALL else 0.0
    top, widest = lowest + step * (rows - 1), 0.0
    for i in range(count):
        for j in range(rows):
            if wall[i, j] > widest:
                widest = wall[i, j]
    for move in range(1, points.shape[0]):
        x, y, z = points[move - 1]
        dx, dy, dz = points[move, 0] - x, points[move, 1] - y, points[move, 2] - z
        if min(z, z + dz) > top:
            continue
        square = dx * dx + dy * dy
        nearest = 0.0 if square < 1e-24 else min(max(-(x * dx + y * dy) / square, 0.0), 1.0)
        away = math.hypot(x + nearest * dx, y + nearest * dy)
        if away - radius > widest + SKIN:
            continue
        if count == 1 or away <= radius * 1.0001:
            first, number = 0, count
        else:
            start, end = math.atan2(y, x), math.atan2(y + dy, x + dx)
            end = start + (end - start + math.pi) % (2.0 * math.pi) - math.pi
            spread, spread_end = math.asin(radius / math.hypot(x, y)), math.asin(radius / math.hypot(x + dx, y + dy))
            least, most = min(start - spread, end - spread_end), max(start + spread, end + spread_end)
            first = math.ceil(least / turn - 0.5)
            number = min(count, math.floor(most / turn - 0.5) - first + 1)
        low = max(0, math.ceil((min(z, z + dz) - lowest) / step))
        # The first row above the flank's lower end holds it for the rest.
        high = min(rows - 1, max(low, math.ceil((max(z, z + dz) + shaped - lowest) / step)))
        for i in range(first, first + number):
            i %= count
            ux, uy = directions[i]
            along, d_along = ux * x + uy * y, ux * dx + uy * dy
            across, d_across = ux * y - uy * x, ux * dy - uy * dx
            bound = max(along, along + d_along) + radius
            if bound <= 0.0:
                continue
            for j in range(low, high + 1):
                if not wall[i, j] > 0.0 or bound <= reach[i, j]:
                    continue
                height = lowest + step * j
                # Above its tip, a ball above its centre, no tool is wider than its flank.
                least, most = _span(0.0, 1.0, dz, z + above_tip - height, -math.inf, 0.0)
                far, near = -math.inf, math.inf
                if least <= most:
                    far, near = _farthest(along, d_along, across, d_across, 0.0, 0.0, radius, least, most)
                if kind == BALL:
                    level = z + radius - height
                    ball_far, ball_near = _farthest(along, d_along, across, d_across, level, dz, radius, 0.0, 1.0)
                    if ball_far > far:
                        far, near = ball_far, ball_near
                elif kind != FLAT and far > reach[i, j] and height < max(z, z + dz) + shaped:
                    far, near = _sought(tool, along, d_along, across, d_across, height - z, dz)
                if far > reach[i, j] and near <= wall[i, j]:
                    reach[i, j] = far
