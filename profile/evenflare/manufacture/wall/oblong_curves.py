"""Curves on the wall of an oblong waveguide: where half-planes from the axis, and planes across it, cut the wall."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.wall.grid import Grid, joined_rows
from evenflare.manufacture.wall.oblong_offset import roll_step
from evenflare.manufacture.wall.spacing import spaced
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Frame, Meridian
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.waveguide.surface import Patch, Surface, depth_at

DEPTH_STEP = 10 * MILLIMETRE
"""Between sections, where no depths are asked for."""

STILL = 1e-15
"""m, of a chord at least: about a line that stands still somewhere a body's edge may turn."""
_NEAR = 1e-3
"""Of a stretch's parameter, over which its curvature and speed are met: they only choose where rows stand."""


@dataclass(frozen=True)
class Curve:
    """The wall in a half-plane from the axis, rows (N,) from throat to mouth.

    azimuth          : rad, of the half-plane.
    z, r, angle      : m and rad, see Frame: the curve within the half-plane.
    normals, centres : (N, 3) along the axis, away from it in the half-plane, across it toward rising azimuth: the
                       wall's unit normal into the air, and the ball's centre, m.
    """

    azimuth: float
    z: FloatArray
    r: FloatArray
    angle: FloatArray
    normals: FloatArray
    centres: FloatArray

    @property
    def places(self) -> FloatArray:
        """(N, 3), m: the ball's centres as x, y, z."""
        cosine, sine = np.cos(self.azimuth), np.sin(self.azimuth)
        z, r, across = self.centres.T
        return np.column_stack([r * cosine - across * sine, r * sine + across * cosine, z])


@dataclass(frozen=True)
class _Cut:
    """A smooth stretch of the curve in a half-plane of the first quarter, as a Piece of a meridian."""

    surface: Surface
    stretch: int
    azimuth: float

    def patch(self, z: FloatArray) -> Patch:
        """The wall at depths (N, 1)."""
        axes = self.surface.axes(z, stretch=self.stretch)
        # y / x = (b / a) tan(psi): the section's factor does not turn a point about the axis.
        psi = np.arctan2(axes.a * np.sin(self.azimuth), axes.b * np.cos(self.azimuth))
        return self.surface.patch(z, psi[:, None], stretch=self.stretch, bends=False)

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        low, high = np.clip(t - _NEAR, 0.0, 1.0), np.clip(t + _NEAR, 0.0, 1.0)
        (z, r, angle), before, after = (self._along(place) for place in (t, low, high))
        length = np.maximum(np.hypot(after[0] - before[0], after[1] - before[1]), 1e-15)
        return Frame(z, r, angle, (after[2] - before[2]) / length, length / (high - low))

    def _along(self, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        z = depth_at(self.surface, self.stretch, t.ravel())
        patch = self.patch(z)
        point, normal = patch.points[:, 0], patch.normals[:, 0]
        out = np.array([np.cos(self.azimuth), np.sin(self.azimuth)])
        r, normal_r = point[:, :2] @ out, normal[:, :2] @ out
        return z.reshape(t.shape), r.reshape(t.shape), np.arctan2(normal[:, 2], -normal_r).reshape(t.shape)


def curve_at(surface: Surface, azimuth: float, *, tool_radius: float, chord_error: float) -> Curve:
    """The wall and the ball's centre in the half-plane at `azimuth` (rad, 0 to 2 pi), rows as a round wall's.

    Straight moves between rows depart from the wall and from the centres' path by at most `chord_error` (m), measured.
    Errors : InputError if the azimuth is out of range.
    """
    if not 0.0 <= azimuth <= 2 * np.pi + 1e-9:
        raise InputError(
            f"azimuth {azimuth / DEGREE:g} degrees: must be 0 to 360. Give the same direction in that range"
        )
    x, y = np.round(np.cos(azimuth), 15), np.round(np.sin(azimuth), 15)
    folded = float(np.arctan2(abs(y), abs(x)))
    pieces = tuple(_Cut(surface, stretch, folded) for stretch in range(len(surface.cuts) - 1))
    share = 1.0
    while True:
        frames = spaced(Meridian(pieces), chord_error=share * chord_error, offset=tool_radius)
        if _path_departure(pieces, frames, tool_radius) <= chord_error:
            break
        share *= 0.7
    parts = []
    for piece, frame in zip(pieces, frames, strict=True):
        patch = piece.patch(frame.z)
        parts.append(Grid(patch.points, patch.normals))
    rows = joined_rows(parts, roll=roll_step(tool_radius, chord_error))
    turn = np.array([[0.0, 0.0, 1.0], [abs(x), abs(y), 0.0], [-abs(y), abs(x), 0.0]]).T
    points, normals = rows.points[:, 0] @ turn, rows.normals[:, 0] @ turn
    # Mirrored from the first quarter: in the second and fourth what rises in azimuth falls there.
    normals[:, 2] *= 1.0 if x * y >= 0.0 else -1.0
    normals[:, 2] += 0.0
    centres = points + tool_radius * normals
    centres[:, 2] = tool_radius * normals[:, 2]
    angle = np.arctan2(normals[:, 0], -normals[:, 1])
    return Curve(azimuth, points[:, 0], points[:, 1], angle, normals, centres)


def _path_departure(pieces: Sequence[_Cut], frames: Sequence[Frame], tool_radius: float) -> float:
    """m, the largest distance between the centres' path in space and its chords, met in their middle."""
    worst = 0.0
    for piece, frame in zip(pieces, frames, strict=True):
        span = piece.surface.cuts[piece.stretch : piece.stretch + 2]
        t = 2.0 / np.pi * np.arcsin(np.sqrt(np.clip((frame.z - span[0]) / (span[1] - span[0]), 0.0, 1.0)))
        middle = depth_at(piece.surface, piece.stretch, 0.5 * (t[1:] + t[:-1]))
        ends, inner = (
            patch.points[:, 0] + tool_radius * patch.normals[:, 0] for patch in map(piece.patch, (frame.z, middle))
        )
        chord = np.diff(ends, axis=0)
        off = np.linalg.norm(np.cross(inner - ends[:-1], chord), axis=-1)
        worst = max(worst, float(np.max(off / np.maximum(np.linalg.norm(chord, axis=-1), 1e-15))))
    return worst


def section_depths(depth: float, asked: Sequence[float] | None) -> tuple[float, ...]:
    """m, rising: the depths asked for, or throat, every 10 mm and mouth. InputError for one outside the waveguide."""
    if asked is None:
        inner = np.arange(0.0, depth - 1e-6, DEPTH_STEP)
        return (*inner.tolist(), depth)
    for z in asked:
        if not -1e-9 <= z <= depth + 1e-9:
            raise InputError(
                f"a section at {z / MILLIMETRE:g} mm: must be 0 to {depth / MILLIMETRE:.4f}, throat plane to mouth."
                " Leave it out, or change it"
            )
    return tuple(sorted({min(max(z, 0.0), depth) for z in asked}))


def section(surface: Surface, z: float, *, chord_error: float) -> FloatArray:
    """(N, 2), m: points of the section at depth z (m), counter-clockwise from azimuth 0, the first not repeated.

    Chords between neighbours depart from it by at most `chord_error` (m), measured within each.
    """
    stretch = min(max(int(np.searchsorted(surface.cuts, z, side="left")) - 1, 0), len(surface.cuts) - 2)

    def points_at(psi: FloatArray) -> FloatArray:
        return surface.patch(np.array([z]), psi, stretch=stretch, bends=False).points[0, :, :2]

    return closed_curve(points_at, chord_error=chord_error)


def outside_heights(body: OblongBody) -> tuple[float, ...]:
    """m, rising: the back, every DEPTH_STEP counted from the throat plane, and the mouth."""
    depth = body.surface.depth
    first = int(np.floor(body.back / DEPTH_STEP)) + 1
    inner = DEPTH_STEP * np.arange(first, int(np.ceil(depth / DEPTH_STEP)))
    return (body.back, *inner[(inner > body.back + 1e-6) & (inner < depth - 1e-6)].tolist(), depth)


def closed_curve(points_at: Callable[[FloatArray], FloatArray], *, chord_error: float) -> FloatArray:
    """(N, 2), m: points of a curve that is even about both axes, counter-clockwise from azimuth 0, the first not
    repeated; chords as of `section`.

    points_at : its points (P, 2) at elliptic parameters (P,), 0 to pi/2 rad.
    """
    fine = np.linspace(0.0, 0.5 * np.pi, 2001)
    points = points_at(fine)
    bend = points[1:-1] - 0.5 * (points[2:] + points[:-2])
    chord = points[2:] - points[:-2]
    sagitta = np.abs(_cross(bend, chord)) / np.maximum(np.hypot(*chord.T), STILL)
    density = np.sqrt(np.pad(sagitta, 1, mode="edge") / (4.0 * chord_error))
    total = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) + 1e-3)])
    for count in itertools.count(max(4, int(np.ceil(total[-1])))):
        psi = np.interp(np.linspace(0.0, total[-1], count + 1), total, fine)
        ends = points_at(psi)
        sides = np.diff(ends, axis=0)
        inner = points_at((psi[:-1, None] + np.diff(psi)[:, None] * np.linspace(0.1, 0.9, 9)).ravel()).reshape(
            count, 9, 2
        )
        off = np.abs(_cross(inner - ends[:-1, None], sides[:, None])) / np.maximum(np.hypot(*sides.T), STILL)[:, None]
        if off.max() <= chord_error:
            break
    mirrored = ends[-2::-1] * (-1.0, 1.0)
    upper = np.concatenate([ends, mirrored])
    return np.concatenate([upper, upper[-2:0:-1] * (1.0, -1.0)])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
