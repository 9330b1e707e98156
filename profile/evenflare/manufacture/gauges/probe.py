"""Places to touch with a probe: few, closer together where the zone is narrow, near throat, joints and mouth."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.gauges.asked import WallAsked, header_lines, letter, zone_at
from evenflare.text import one_line, table
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.departure import Arcs
from evenflare.waveguide.meridian import Meridian
from evenflare.words import fixed_mm

COLUMNS = (
    *("index", "zone", "x_mm", "y_mm", "z_mm", "normal_x", "normal_y", "normal_z", "minus_mm", "plus_mm"),
    *("ball_x_mm", "ball_y_mm", "ball_z_mm"),
)
RADII = (0.25 * MILLIMETRE, 10 * MILLIMETRE)
PROBE_RADIUS = 1.0 * MILLIMETRE
DEPTHS = 9
"""Places along the wall that zones share by how narrow they are; those beside throat, joints and mouth come on top."""
AROUND = 4
"""At each depth: both halves of both planes, at every other one turned by 45 degrees: ovality shows however it lies."""
_EDGE = 1.5
"""Radii of the probe from an edge of the wall: the ball touches the wall and not the edge."""
_CORNER = 0.5 * DEGREE
_FINE = 2001
_mm, _unit = partial(fixed_mm, decimals=4), "{:.8f}".format


@dataclass(frozen=True)
class ProbePoint:
    """A place on the drawn wall: position and ball's centre, m, unit normal into the air; number of its zone."""

    position: tuple[float, float, float]
    normal: tuple[float, float, float]
    ball: tuple[float, float, float]
    zone: int


def checked_probe_radius(radius: float) -> float:
    """m. InputError if it is out of range."""
    low, high = (bound / MILLIMETRE for bound in RADII)
    if not RADII[0] <= radius <= RADII[1]:
        raise InputError(
            f"--probe-radius-mm {radius / MILLIMETRE:g}: must be {low:g} to {high:g}. Give the radius of the ball"
        )
    return radius


def probe_points(waveguide: Waveguide, asked: WallAsked, *, radius: float) -> list[ProbePoint]:
    """From throat to mouth, at each depth around. Where the wall is concave and narrower than the ball, none.

    radius : m, of the probe's ball.
    """
    found: list[ProbePoint] = []
    rows = _round(waveguide.meridian, asked, radius) if waveguide.is_round else _oblong(waveguide, asked, radius)
    for z, points, normals, bends in rows:
        zone = zone_at(asked.zones, z)
        for point, normal, bend in zip(points, normals, bends, strict=True):
            if bend > -1.0 / (1.1 * radius):
                ball = point + radius * normal
                found.append(ProbePoint(_three(point), _three(normal), _three(ball), zone))
    return found


_Around = tuple[float, FloatArray, FloatArray, FloatArray]
"""A depth, m; (A, 3) points and normals around the wall there, (A,) the smaller curvature, 1/m."""


def _azimuths(number: int) -> FloatArray:
    return np.asarray(0.5 * np.pi * np.arange(AROUND) + (0.25 * np.pi if number % 2 else 0.0))


def _round(meridian: Meridian, asked: WallAsked, radius: float) -> list[_Around]:
    arcs = [Arcs(piece) for piece in meridian.pieces]
    starts = np.concatenate([[0.0], np.cumsum([each.length for each in arcs])])
    t = np.linspace(0.0, 1.0, _FINE)
    frames = [piece.frame_at(t) for piece in meridian.pieces]
    along = np.concatenate([start + each.arc_at(t) for start, each in zip(starts[:-1], arcs, strict=True)])
    corners = [
        float(start)
        for start, before, after in zip(starts[1:-1], frames[:-1], frames[1:], strict=True)
        if abs(after.angle[0] - before.angle[-1]) > _CORNER
    ]
    places = _places(along, np.concatenate([frame.z for frame in frames]), corners, asked, radius)
    rows = []
    for number, place in enumerate(places):
        piece = min(max(int(np.searchsorted(starts, place, side="right")) - 1, 0), len(arcs) - 1)
        at = np.interp(place - starts[piece], arcs[piece].arc_at(t), t)
        frame = meridian.pieces[piece].frame_at(np.array([at]))
        z, r, angle, curvature = (float(column[0]) for column in frame[:4])
        azimuth = _azimuths(number)
        out = np.column_stack([np.cos(azimuth), np.sin(azimuth), np.zeros(AROUND)])
        axis = np.array([0.0, 0.0, 1.0])
        normals = -np.cos(angle) * out + np.sin(angle) * axis
        rows.append((z, r * out + z * axis, normals, np.full(AROUND, min(curvature, -np.cos(angle) / r))))
    return rows


def _oblong(waveguide: Waveguide, asked: WallAsked, radius: float) -> list[_Around]:
    surface = waveguide.surface
    shares = np.sin(np.linspace(0.0, 0.5 * np.pi, _FINE)) ** 2
    z: list[FloatArray] = []
    r: list[FloatArray] = []
    starts: list[float] = []
    angles: list[tuple[FloatArray, FloatArray]] = []
    for stretch, (low, high) in enumerate(itertools.pairwise(surface.cuts)):
        z.append(low + (high - low) * shares)
        axes = surface.axes(z[-1], stretch=stretch)
        r.append(np.sqrt(axes.a * axes.b))
        starts.append(low)
        angles.append((axes.a_angle, axes.b_angle))
    depth, mean = np.concatenate(z), np.concatenate(r)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(depth), np.diff(mean)))])
    sharp = [
        float(np.interp(start, depth, along))
        for start, (before, after) in zip(starts[1:], itertools.pairwise(angles), strict=True)
        if max(abs(float(after[k][0] - before[k][-1])) for k in (0, 1)) > _CORNER
    ]
    rows = []
    for number, place in enumerate(_places(along, depth, sharp, asked, radius)):
        at = float(np.interp(place, along, depth))
        stretch = min(max(int(np.searchsorted(surface.cuts, at, side="left")) - 1, 0), len(surface.cuts) - 2)
        axes, azimuth = surface.axes(np.array([at]), stretch=stretch), _azimuths(number)
        psi = np.arctan2(axes.a * np.sin(azimuth), axes.b * np.cos(azimuth))
        patch = surface.patch(np.array([at]), psi, stretch=stretch)
        rows.append((at, patch.points[0], patch.normals[0], patch.curvatures[0, :, 0]))
    return rows


def _places(along: FloatArray, z: FloatArray, corners: Sequence[float], asked: WallAsked, radius: float) -> list[float]:
    """m, arcs from the throat: even shares of the wall weighed by 1 / zone's width, and beside every edge."""
    total = np.array([zone.minus + zone.plus for zone in asked.zones])
    weight = 1.0 / np.maximum(total, 1e-6)[[zone_at(asked.zones, each) for each in z]]
    share = np.concatenate([[0.0], np.cumsum(0.5 * (weight[1:] + weight[:-1]) * np.diff(along))])
    edge, length = _EDGE * radius, float(along[-1])
    fixed = [edge, *(corner + side * edge for corner in corners for side in (-1.0, 1.0)), length - edge]
    even = np.interp((np.arange(DEPTHS) + 0.5) / DEPTHS * share[-1], share, along).tolist()
    # A zone that is wide among narrow ones gets one all the same.
    numbers = np.array([zone_at(asked.zones, each) for each in z])
    taken = {zone_at(asked.zones, float(np.interp(each, along, z))) for each in (*fixed, *even)}
    lacking = [float(along[numbers == k].mean()) for k in range(len(total)) if k not in taken and (numbers == k).any()]
    kept: list[float] = []
    for place in (*fixed, *lacking, *even):
        clear = all(abs(place - corner) >= 0.99 * edge for corner in (0.0, *corners, length))
        if clear and all(abs(place - other) > edge for other in kept):
            kept.append(place)
    return sorted(kept)


def write_probe_points(
    found: Sequence[ProbePoint], asked: WallAsked, path: Path, *, radius: float, design_id: str, name: str
) -> None:
    """Write `probe_points.csv`, mm. Errors: InputError if the file cannot be written."""
    header = [
        "evenflare probe points: places on the wall to touch with a ball, few, and close where the zone is narrow",
        f"design: {one_line(name)}",
        f"design id: {one_line(design_id)}",
        "units: mm; x horizontal and y vertical from the axis, z from the throat plane, rising to the mouth; the normal"
        " is a unit vector from the wall into the air",
        f"probe: ball of radius {radius / MILLIMETRE:g}; ball_x, ball_y, ball_z is its centre when it touches the drawn"
        " wall there = wall + radius x normal. Approach along the normal",
        "judge: what the ball's centre lies off along the normal, + away from the axis (against the normal), is the"
        " wall's departure: good from -minus to +plus. This is a few places, not the whole wall",
        "datum: A the throat plane (where the driver sits), B the axis of the throat's bore: set up on them first",
        *header_lines(asked),
    ]
    rows = (
        (
            *(str(index), letter(point.zone), *map(_mm, point.position), *map(_unit, np.add(point.normal, 0.0))),
            *(_mm(asked.zones[point.zone].minus), _mm(asked.zones[point.zone].plus), *map(_mm, point.ball)),
        )
        for index, point in enumerate(found, start=1)
    )
    write_text(path, table(COLUMNS, rows, header=header))


def _three(values: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in np.round(values, 12) + 0.0)
    return x, y, z
