"""The smooth pieces that meridians are made of, each from its formula."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.units import FloatArray, IntArray
from evenflare.waveguide.meridian import Frame

WIDEST = 1.2
"""rad; the arc over a chord is taken to turn by no more than twice this."""


def _graph(z: FloatArray, r: FloatArray, slope: FloatArray, bend: FloatArray, length: float) -> Frame:
    """A wall given as r(z), with its first and second derivative, over a stretch `length` along the axis."""
    stretch = np.sqrt(1.0 + slope**2)
    return Frame(z, r, np.arctan(slope), bend / stretch**3, stretch * length)


@dataclass(frozen=True)
class Line:
    """A straight wall from (z0, r0) to (z1, r1), m."""

    z0: float
    r0: float
    z1: float
    r1: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        dz, dr = self.z1 - self.z0, self.r1 - self.r0
        ones = np.ones_like(t)
        return Frame(self.z0 + dz * t, self.r0 + dr * t, np.arctan2(dr, dz) * ones, 0.0 * ones, np.hypot(dz, dr) * ones)


@dataclass(frozen=True)
class Arc:
    """A circular arc from (z0, r0), turning the wall from angle0 to angle1 (rad) on `radius` (m, > 0)."""

    z0: float
    r0: float
    angle0: float
    angle1: float
    radius: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        turn = self.angle1 - self.angle0
        angle = self.angle0 + turn * t
        sign = np.sign(turn)
        ones = np.ones_like(t)
        return Frame(
            self.z0 + sign * self.radius * (np.sin(angle) - np.sin(self.angle0)),
            self.r0 + sign * self.radius * (np.cos(self.angle0) - np.cos(angle)),
            angle,
            sign / self.radius * ones,
            self.radius * abs(turn) * ones,
        )


@dataclass(frozen=True)
class HyperbolicWall:
    """r = r0 [cosh(z/x0) + T sinh(z/x0)] for z from 0 to `length`: T = 1 is the exponential horn.

    Source: Salmon, V. (1946), A new family of horns, JASA 17, 199-218 (citation from memory).
    """

    r0: float
    flare_length: float
    parameter: float
    length: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        z = self.length * t
        c, s = np.cosh(z / self.flare_length), np.sinh(z / self.flare_length)
        r = self.r0 * (c + self.parameter * s)
        slope = self.r0 / self.flare_length * (s + self.parameter * c)
        return _graph(z, r, slope, r / self.flare_length**2, self.length)


@dataclass(frozen=True)
class OblateSpheroidalWall:
    """r = sqrt(r0^2 + z^2 tan^2 A), a coordinate surface of oblate-spheroidal coordinates; A the asymptote's angle.

    Source: the coordinates z = d sinh m sin n, r = d cosh m cos n with d = r0 / sin A; for their use as a
    waveguide Geddes, E. R. (1989), Acoustic waveguide theory, JAES 37 (citation from memory).
    """

    r0: float
    wall_angle: float
    length: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        z = self.length * t
        tangent2 = np.tan(self.wall_angle) ** 2
        r = np.sqrt(self.r0**2 + z**2 * tangent2)
        return _graph(z, r, z * tangent2 / r, self.r0**2 * tangent2 / r**3, self.length)


@dataclass(frozen=True)
class TractrixWall:
    """r = a sech u, z = a [(u0 - tanh u0) - (u - tanh u)] from r0 to r1 <= a: the tangent's length is a everywhere.

    The parameter is even in u rather than in z, in which the wall stays smooth up to its cusp at r = a.
    Source: the plane curve of that name; as a horn with a = c / (2 pi cutoff) (common practice, from memory).
    """

    flare_radius: float
    r0: float
    r1: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        u0, u1 = np.arccosh(self.flare_radius / self.r0), np.arccosh(max(1.0, self.flare_radius / self.r1))
        u = u0 + (u1 - u0) * t
        a, tanh, sech = self.flare_radius, np.tanh(u), 1.0 / np.cosh(u)
        with np.errstate(divide="ignore"):
            curvature = sech / (a * tanh)
        return Frame(
            a * ((u0 - np.tanh(u0)) - (u - tanh)),
            a * sech,
            np.arctan2(1.0, np.sinh(u)),
            curvature,
            a * tanh * (u0 - u1),
        )


@dataclass(frozen=True)
class CurvatureWall:
    """A wall from its curvature: angle and position are integrals of it along the arc.

    z0, r0, angle0 : where it begins, m and rad.
    length         : m of arc.
    curvature      : 1/m at evenly spaced knots along the arc, linear between (two knots at least).

    The angle is exact (quadratic between knots); positions come from eight Gauss points per knot interval
    and part of it, whose error is below 1e-12 of the length for turns of up to a radian per interval.
    """

    z0: float
    r0: float
    angle0: float
    length: float
    curvature: tuple[float, ...]

    @cached_property
    def _knots(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Curvature, angle, z and r at the knots."""
        bend = np.array(self.curvature)
        step = self.length / (bend.size - 1)
        angle = self.angle0 + np.concatenate([[0.0], np.cumsum(0.5 * step * (bend[1:] + bend[:-1]))])
        dz, dr = self._advance(bend, angle, np.arange(bend.size - 1), np.full(bend.size - 1, step))
        return (
            bend,
            angle,
            self.z0 + np.concatenate([[0.0], np.cumsum(dz)]),
            self.r0 + np.concatenate([[0.0], np.cumsum(dr)]),
        )

    def _turned(self, bend: FloatArray, angle: FloatArray, interval: IntArray, along: FloatArray) -> FloatArray:
        rate = (bend[interval + 1] - bend[interval]) * (bend.size - 1) / self.length
        return angle[interval] + along * (bend[interval] + 0.5 * rate * along)

    def _advance(
        self, bend: FloatArray, angle: FloatArray, interval: IntArray, along: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        inner = self._turned(bend, angle, interval[..., None], along[..., None] * _GAUSS_NODES)
        return (
            along * (np.cos(inner) @ _GAUSS_WEIGHTS),
            along * (np.sin(inner) @ _GAUSS_WEIGHTS),
        )

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        bend, angle, z, r = self._knots
        intervals = bend.size - 1
        interval = np.clip((t * intervals).astype(np.int64), 0, intervals - 1)
        share = t * intervals - interval
        along = share * self.length / intervals
        dz, dr = self._advance(bend, angle, interval, along)
        return Frame(
            z[interval] + dz,
            r[interval] + dr,
            self._turned(bend, angle, interval, along),
            bend[interval] + share * (bend[interval + 1] - bend[interval]),
            np.full_like(along, self.length),
        )


_nodes, _weights = np.polynomial.legendre.leggauss(8)
_GAUSS_NODES, _GAUSS_WEIGHTS = 0.5 * (_nodes + 1.0), 0.5 * _weights


@dataclass(frozen=True)
class SplineWall:
    """A smooth wall through given points (z, r) in m with given angles (rad, unwrapped) and curvatures (1/m) there.

    From point to point polynomials of fifth degree in about the arc's length: angle and curvature are continuous, and
    no part depends on points other than its own two.
    """

    points: tuple[tuple[float, float], ...]
    angles: tuple[float, ...]
    curvatures: tuple[float, ...]

    @cached_property
    def _parts(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Parameters of the points; coefficients (6, 2, parts) over each part's own 0 to 1; headings of its chord."""
        points, angle, curvature = np.array(self.points).T, np.array(self.angles), np.array(self.curvatures)
        chord = np.diff(points, axis=1)
        heading = np.arctan2(chord[1], chord[0])
        heading += 2 * np.pi * np.round((0.5 * (angle[1:] + angle[:-1]) - heading) / (2 * np.pi))
        half = np.minimum(0.5 * (np.abs(angle[:-1] - heading) + np.abs(angle[1:] - heading)), WIDEST)
        length = np.hypot(*chord) / np.sinc(half / np.pi)
        slope = np.stack([np.cos(angle), np.sin(angle)])
        bend = np.stack([-np.sin(angle), np.cos(angle)]) * curvature
        a, b = slope[:, :-1] * length, slope[:, 1:] * length
        p, q = 0.5 * bend[:, :-1] * length**2, 0.5 * bend[:, 1:] * length**2
        coefficients = np.stack(
            [
                points[:, :-1],
                a,
                p,
                10.0 * chord - 6.0 * a - 4.0 * b - 3.0 * p + q,
                -15.0 * chord + 8.0 * a + 7.0 * b + 3.0 * p - 2.0 * q,
                6.0 * chord - 3.0 * a - 3.0 * b - p + q,
            ]
        )
        along = np.concatenate([[0.0], np.cumsum(length)])
        return along / along[-1], coefficients, heading

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        knots, coefficients, heading = self._parts
        part = np.minimum(np.maximum(np.searchsorted(knots, t, side="right") - 1, 0), heading.size - 1)
        width = knots[part + 1] - knots[part]
        u = (t - knots[part]) / width
        c = coefficients[:, :, part]
        z, r = c[0] + u * (c[1] + u * (c[2] + u * (c[3] + u * (c[4] + u * c[5]))))
        dz, dr = c[1] + u * (2 * c[2] + u * (3 * c[3] + u * (4 * c[4] + u * 5 * c[5])))
        ddz, ddr = 2 * c[2] + u * (6 * c[3] + u * (12 * c[4] + u * 20 * c[5]))
        speed = np.hypot(dz, dr)
        cosine, sine = np.cos(heading[part]), np.sin(heading[part])
        angle = heading[part] + np.arctan2(dr * cosine - dz * sine, dz * cosine + dr * sine)
        return Frame(z, r, angle, (dz * ddr - dr * ddz) / speed**3, speed / width)
