"""What a moving tool removes, against the tool set down at many places of its move."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.manufacture.proof import sweep, underside
from evenflare.units import MILLIMETRE as MM

TOOLS = {
    "ball": (underside.BALL, 3 * MM, 3 * MM),
    "bull": (underside.BULL, 3 * MM, 1 * MM),
    "flat": (underside.FLAT, 3 * MM, 0.0),
    "drill": (underside.DRILL, 3 * MM, 1.0 / np.tan(np.radians(59.0))),
}
STEP = 0.5 * MM
PLACES = 1001
CLOSE = 15e-6
"""m. Along a move of at most 15 mm the places stand 15 um apart, and a flat end's edge shows in them by as much, times
the slope where it climbs."""


def underside(kind, d):
    """Height over the tip at a distance from the tool's axis, from the tools' drawings; inf beyond."""
    if kind == "ball":
        height = 3 * MM - np.sqrt(np.maximum((3 * MM) ** 2 - d**2, 0.0))
    elif kind == "bull":
        height = np.where(d <= 2 * MM, 0.0, 1 * MM - np.sqrt(np.maximum((1 * MM) ** 2 - (d - 2 * MM) ** 2, 0.0)))
    elif kind == "drill":
        height = d / np.tan(np.radians(59.0))
    else:
        height = 0.0
    return np.where(d <= 3 * MM, height, np.inf)


def half_width(kind, above):
    """Radius of the tool at a height over its tip."""
    inside = np.maximum(above, 0.0)
    if kind == "ball":
        width = np.where(above < 3 * MM, np.sqrt(np.maximum(inside * (6 * MM - inside), 0.0)), 3 * MM)
    elif kind == "bull":
        width = np.where(above < 1 * MM, 2 * MM + np.sqrt(np.maximum(inside * (2 * MM - inside), 0.0)), 3 * MM)
    elif kind == "drill":
        width = np.minimum(3 * MM, inside * np.tan(np.radians(59.0)))
    else:
        width = 3 * MM
    return np.where(above >= 0.0, width, -np.inf)


coordinate = st.floats(-5.0, 5.0)


@pytest.mark.parametrize("kind", TOOLS)
@given(ends=st.lists(coordinate, min_size=6, max_size=6))
@settings(deadline=None, max_examples=12)
def test_heights_after_a_move_are_the_lowest_of_the_tool_at_many_places(kind, ends):
    start, end = np.array(ends[:3]) * MM, np.array(ends[3:]) * MM * [1.0, 1.0, 0.6]
    heights = np.full((41, 41), 10 * MM)
    sweep.lowered(heights, (-10 * MM, -10 * MM), STEP, start, end, TOOLS[kind], 1, True)
    x = -10 * MM + STEP * np.arange(41)
    wanted = np.full((41, 41), 10 * MM)
    for t in np.linspace(0.0, 1.0, PLACES):
        cx, cy, tip = start + t * (end - start)
        wanted = np.minimum(wanted, tip + underside(kind, np.hypot(x[:, None] - cx, x - cy)))
    # A place within the last hair of the tool's width is hit or missed by chance.
    edge = np.abs(_distance(x, start, end) - 3 * MM) < 2e-8
    steep = 3e-3 * MM if kind in ("ball", "bull") else 0.0  # near the flank the underside rises ten times as fast
    climb = abs(end[2] - start[2]) / max(np.hypot(*(end - start)[:2]), 0.5 * MM)
    off = heights - wanted
    # Nothing less than each place's own cut; 1 nm of way is nothing, times an underside that is steep near its flank.
    assert np.all(off[~edge] <= 3e-8)
    near_edge = np.abs(_distance(x, start, end) - 3 * MM) < 0.02 * MM
    assert np.all(off[~edge & ~near_edge] >= -(CLOSE * (1 + climb) + steep))


def _distance(x, start, end):
    """m, from each cell to the move, seen along the axis."""
    d = (end - start)[:2]
    place = np.stack(np.broadcast_arrays(x[:, None], x), axis=-1) - start[:2]
    t = np.clip(place @ d / max(d @ d, 1e-30), 0.0, 1.0)
    return np.linalg.norm(place - t[..., None] * d, axis=-1)


@pytest.mark.parametrize("kind", TOOLS)
@given(ends=st.lists(coordinate, min_size=6, max_size=6))
@settings(deadline=None, max_examples=12)
def test_rays_after_a_move_reach_the_farthest_of_the_tool_at_many_places(kind, ends):
    points = np.array([ends[:3], ends[3:]]) * MM + [8 * MM, 0.0, 0.0]
    count, rows = 48, 41
    azimuth = 2 * np.pi * (np.arange(count) + 0.5) / count
    directions = np.column_stack([np.cos(azimuth), np.sin(azimuth)])
    z = -10.013 * MM + STEP * np.arange(rows)
    reach, wall = np.zeros((count, rows)), np.full((count, rows), 1.0)
    sweep.bored(reach, wall, z[0], STEP, directions, points, TOOLS[kind])
    reach = np.maximum.accumulate(reach, axis=1)
    wanted = np.zeros((count, rows))
    for t in np.linspace(0.0, 1.0, PLACES):
        x, y, tip = points[0] + t * (points[1] - points[0])
        width = half_width(kind, z - tip)
        rest = width**2 - (directions[:, :1] * y - directions[:, 1:] * x) ** 2
        far = directions[:, :1] * x + directions[:, 1:] * y + np.sqrt(np.maximum(rest, 0.0))
        wanted = np.maximum(wanted, np.where((rest >= 0.0) & np.isfinite(width), far, 0.0))
    missed = (reach < 1e-6) != (wanted < 1e-6)
    off = (reach - wanted)[~missed]
    assert np.all(off >= -1e-8)  # golden sections end within 0.1 nm of way, where a ray only just meets the tool
    # Where a ray only just meets the tool its chord grows as a root: between two places by up to sqrt(2 R 15 um).
    assert np.mean(off > 2 * CLOSE) < 0.03
    assert off.max(initial=0.0) < 0.3 * MM
    assert missed.mean() < 0.01


@pytest.mark.parametrize("turned", [0, 12])
def test_a_move_past_the_axis_within_the_tool_s_radius_cuts_rays_all_round(turned):
    """Its ends are far from the axis on either side: the flank's two straight edges, in closed form."""
    count, radius, beside = 48, 3 * MM, 1 * MM
    azimuth = 2 * np.pi * (np.arange(count) + 0.5) / count
    directions = np.column_stack([np.cos(azimuth), np.sin(azimuth)])
    along = np.array([[beside, -8 * MM], [beside, 8 * MM]])
    if turned:  # by a quarter: along the other axis
        along = along[:, ::-1] * [-1.0, 1.0]
    points = np.column_stack([along, np.zeros(2)])
    reach, wall = np.zeros((count, 3)), np.full((count, 3), 1.0)
    sweep.bored(reach, wall, 0.0, STEP, directions, points, TOOLS["flat"])
    found = np.roll(np.maximum.accumulate(reach, axis=1)[:, -1], -turned)
    x, y = np.cos(azimuth), np.sin(azimuth)
    wanted = np.where(x > 0.0, beside + radius, radius - beside) / np.abs(x)
    straight = np.abs(wanted * y) <= 8 * MM
    assert straight.sum() > 24
    np.testing.assert_allclose(found[straight], wanted[straight], rtol=1e-9)  # rounding
    assert np.all(found[~straight] >= 8 * MM)
