"""How low a moving tool's underside comes over a place. Lengths in m. Compiled; holds no Python objects."""

from __future__ import annotations

import math

from evenflare.compiled import njit

BALL, BULL, FLAT, DRILL = 0, 1, 2, 3
HALVINGS = 26
"""A move of 100 mm comes down to 1.5 nm, and what is sought changes least there."""
_NEAR = 1e-9
"""m, likewise, where it is found sooner."""


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _rise(kind: int, radius: float, corner: float, d: float) -> tuple[float, float]:
    """The underside's height above the tip at the distance d from the tool's axis, and its slope there."""
    if kind == DRILL:
        return corner * d, corner
    beyond = d - (radius - corner)
    if beyond <= 0.0:
        return 0.0, 0.0
    fall = math.sqrt(max(corner * corner - beyond * beyond, 0.0))
    return corner - fall, beyond / max(fall, 1e-12 * corner)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def under_ball(
    radius: float, s: float, w: float, length: float, slope: float, tilt: float, upright: float, tip: float
) -> float:
    """As under, of a ball whose move rises at an angle with that sine and cosine."""
    chord = radius * radius - w * w
    if chord <= 0.0:
        return math.inf
    half = math.sqrt(chord)
    if s + half < 0.0 or s - half > length:
        return math.inf
    way = s - half * tilt
    if 0.0 <= way <= length:
        return tip + radius + slope * way - half * upright
    way = 0.0 if way < 0.0 else length
    return tip + radius + slope * way - math.sqrt(max(chord - (s - way) * (s - way), 0.0))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def under(
    kind: int, radius: float, corner: float, s: float, w: float, length: float, slope: float, tip: float, height: float
) -> float:
    """Lowest height that a move from `tip`, rising by `slope` over a level `length`, sweeps at (s, w); inf if it misses
    the place, and perhaps if it stays above `height` there.
    """
    lowest = length if slope < 0.0 else 0.0 if slope > 0.0 else min(max(s, 0.0), length)
    if kind == BULL and w * w + (s - lowest) ** 2 <= (radius - corner) ** 2:
        return tip + slope * lowest
    chord = radius * radius - w * w
    if chord <= 0.0:
        return math.inf
    half = math.sqrt(chord)
    low, high = max(0.0, s - half), min(length, s + half)
    if low > high:
        return math.inf
    if kind == FLAT:
        return tip + slope * (high if slope < 0.0 else low)
    way = min(max(s, low), high)
    over = _rise(kind, radius, corner, math.sqrt(w * w + (s - way) ** 2))[0]
    if slope == 0.0 or low == high:
        return float(tip + slope * way + over)
    if tip + slope * (high if slope < 0.0 else low) + over >= height:
        return math.inf
    for _ in range(HALVINGS):
        beside = way - s
        d = max(math.sqrt(w * w + beside * beside), 1e-15)
        steep = _rise(kind, radius, corner, d)[1]
        turn = slope + steep * beside / d
        low, high = (low, way) if turn > 0.0 else (way, high)
        if low == high:
            # The place comes nearest before the move begins or after it ends, and the lowest is that end.
            break
        # Newton's step where it stays between, else the middle: what is sought is convex.
        bend = steep * w * w / (d * d * d)
        if kind != DRILL and steep > 0.0:
            tilted = 1.0 + steep * steep
            bend += tilted * math.sqrt(tilted) / corner * beside * beside / (d * d)
        following = way - turn / bend if bend > 0.0 else low
        if not low < following < high:
            following = 0.5 * (low + high)
        moved, way = abs(following - way), following
        if moved < _NEAR or high - low < _NEAR:
            break
    return float(tip + slope * way + _rise(kind, radius, corner, math.sqrt(w * w + (s - way) ** 2))[0])
