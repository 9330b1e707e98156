"""Sections of a waveguide that is wider than high: curves symmetric about both planes, at constant depth.

A section of half-width a and half-height b runs through  x = a f cos(psi), y = b f sin(psi)  with the elliptic
parameter psi and a factor f(psi), 1 in both planes; f = 1 everywhere is the ellipse. Divided by a and b it is a curve
in the unit square, which depends on the depth and on the mouth but not on the semi-axes where it is.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np
from scipy.interpolate import PchipInterpolator

from evenflare.units import MILLIMETRE, FloatArray

ELLIPSE = 2.0
"""Exponent of an ellipse."""
EXPONENTS = (1.5, 20.0)
"""Smallest and largest exponent: beyond, a section is a lozenge or a rectangle with sharp corners."""

_TINY = 1e-300
"""Stands for zero where a logarithm or a quotient is taken; what it is multiplied with is zero there."""


class Mouth(NamedTuple):
    """The mouth that a section leads to, m: its depth from the throat plane and its semi-axes."""

    depth: float
    half_width: float
    half_height: float


class UnitCurve(NamedTuple):
    """Points of a section over its semi-axes, (x/a, y/b), and derivatives, arrays that broadcast.

    By the depth z (1/m) at a fixed parameter t, and by t, which is any that grows with psi and may differ from point
    to point. The second derivatives, the last six, are empty where they were not asked for.
    """

    x: FloatArray
    y: FloatArray
    x_t: FloatArray
    y_t: FloatArray
    x_z: FloatArray
    y_z: FloatArray
    x_tt: FloatArray
    y_tt: FloatArray
    x_tz: FloatArray
    y_tz: FloatArray
    x_zz: FloatArray
    y_zz: FloatArray


UNASKED = (np.empty(0),) * 6
"""Second derivatives that nobody asked for."""


class Section(Protocol):
    """How the section goes from the round throat to the mouth."""

    def check(self, mouth: Mouth) -> None:
        """ValueError if it has no such mouth."""
        ...

    def cuts(self, depth: float) -> tuple[float, ...]:
        """m, depths between throat and mouth at which the section does not change smoothly."""
        ...

    def turns(self, mouth: Mouth) -> tuple[float, ...]:
        """rad, parameters between 0 and pi/2 at which the mouth's curvature jumps."""
        ...

    def factor(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth) -> FloatArray:
        """f at depth z (m) and parameter psi (rad) of a waveguide with that mouth; 1 at z = 0. Arrays broadcast."""
        ...

    def curve(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth, bends: bool = True) -> UnitCurve:
        """The section and its derivatives at depth z (m) and psi (0 to pi/2, rad). Arrays broadcast.

        bends : whether second derivatives are asked for.
        """
        ...


@dataclass(frozen=True)
class Superellipse:
    """|x/a|^n + |y/b|^n = 1 with the exponent n over depth: 2 is the ellipse, larger is squarer.

    exponent : 1.5 to 20; the mouth's, reached from 2 at the throat as 3 t^2 - 2 t^3 of the share t of the depth; or
               pairs (z in m, exponent), z rising from 0, where it is 2 (that pair is put in where it is missing): a
               smooth monotone curve between them (Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5, 300), level
               beyond the last. Below 2 a section is pointed in both planes: it is concave there and has no radius.
    Errors   : ValueError for anything else.
    """

    exponent: float | tuple[tuple[float, float], ...] = ELLIPSE

    def __post_init__(self) -> None:
        if isinstance(self.exponent, tuple):
            object.__setattr__(self, "exponent", _pairs(self.exponent))
        else:
            _check_exponent(self.exponent, "")

    def check(self, mouth: Mouth) -> None:
        """See Section: there is one for every mouth."""

    def cuts(self, depth: float) -> tuple[float, ...]:
        """See Section."""
        if isinstance(self.exponent, tuple):
            return tuple(z for z, _ in self.exponent if 0.0 < z < depth)
        return ()

    def turns(self, mouth: Mouth) -> tuple[float, ...]:
        """See Section."""
        return ()

    def exponent_at(self, z: FloatArray, *, depth: float) -> FloatArray:
        """The exponent at depths z (m, any shape) of a waveguide of that depth."""
        return self._exponents(z, depth)[0]

    def _exponents(self, z: FloatArray, depth: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The exponent and its first and second derivative by z."""
        if isinstance(self.exponent, tuple):
            curve = _monotone(self.exponent, depth)
            inside = np.clip(z, 0.0, curve.x[-1])
            return curve(inside), curve(inside, 1), curve(inside, 2)
        t, change = np.minimum(np.maximum(z / depth, 0.0), 1.0), self.exponent - ELLIPSE
        return (
            ELLIPSE + change * t**2 * (3.0 - 2.0 * t),
            change * 6.0 * t * (1.0 - t) / depth,
            change * (6.0 - 12.0 * t) / depth**2,
        )

    def factor(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth) -> FloatArray:
        """See Section."""
        if self.exponent == ELLIPSE:
            return np.ones(np.broadcast_shapes(np.shape(z), np.shape(psi)))
        n = self.exponent_at(z, depth=mouth.depth)
        sides = np.abs(np.cos(psi)) ** n + np.abs(np.sin(psi)) ** n
        return np.asarray(sides ** (-1.0 / n))

    def curve(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth, bends: bool = True) -> UnitCurve:
        """See Section: t is psi. Derivatives of ln f = -ln(cos^n + sin^n) / n by psi and n, then n over z."""
        c, s = np.maximum(np.cos(psi), _TINY), np.maximum(np.sin(psi), _TINY)
        if self.exponent == ELLIPSE:
            zero = np.zeros_like(c)
            second = (-c, -s, zero, zero, zero, zero) if bends else UNASKED
            return UnitCurve(c, s, -s, c, zero, zero, *second)
        n, n_z, n_zz = self._exponents(z, mouth.depth)
        log_c, log_s = np.log(c), np.log(s)
        cn2, sn2 = np.exp((n - 2.0) * log_c), np.exp((n - 2.0) * log_s)
        cn, sn = cn2 * c**2, sn2 * s**2
        total = cn + sn
        turn_c, turn_s = cn2 * c * s / total, sn2 * s * c / total
        turn = turn_c - turn_s
        first = (cn * log_c + sn * log_s) / total
        log_total = np.log(total)
        g_n = log_total / n**2 - first / n
        g_z = g_n * n_z
        f = np.exp(-log_total / n)
        f_t, f_z = f * turn, f * g_z
        known = f * c, f * s, f_t * c - f * s, f_t * s + f * c, f_z * c, f_z * s
        if not bends:
            return UnitCurve(*known, *UNASKED)
        g_tt = 1.0 + n * turn**2 - (n - 1.0) * (cn2 * s**2 + sn2 * c**2) / total
        second = (cn * log_c**2 + sn * log_s**2) / total
        g_nn = -2.0 * log_total / n**3 + 2.0 * first / n**2 - (second - first**2) / n
        g_tz = (turn_c * log_c - turn_s * log_s - turn * first) * n_z
        g_zz = g_nn * n_z**2 + g_n * n_zz
        f_tt, f_tz, f_zz = f * (g_tt + turn**2), f * (g_tz + turn * g_z), f * (g_zz + g_z**2)
        return UnitCurve(
            *known,
            f_tt * c - 2.0 * f_t * s - f * c,
            f_tt * s + 2.0 * f_t * c - f * s,
            f_tz * c - f_z * s,
            f_tz * s + f_z * c,
            f_zz * c,
            f_zz * s,
        )


def _check_exponent(value: float, where: str) -> None:
    low, high = EXPONENTS
    if not low <= value <= high:
        raise ValueError(
            f"section_exponent = {value:g}{where}: must be {low:g} to {high:g}; 2 is an ellipse, 4 has flat sides."
            f" {'Raise' if value < low else 'Lower'} it"
        )


def _pairs(pairs: Sequence[Sequence[float]]) -> tuple[tuple[float, float], ...]:
    """Pairs in order, from the ellipse at the throat."""
    given = tuple((float(z), float(value)) for z, value in pairs)
    if not given:
        raise ValueError("section_exponent holds no pair of z_mm and exponent: must be one at least. Add it")
    if not all(map(math.isfinite, itertools.chain(*given))):
        raise ValueError("section_exponent: a pair is not two finite numbers, z_mm and exponent. Correct it")
    if given[0][0] > 0.0:
        given = ((0.0, ELLIPSE), *given)
    if given[0] != (0.0, ELLIPSE):
        z, value = given[0]
        if z < 0.0:
            raise ValueError(
                f"section_exponent begins at z_mm = {z / MILLIMETRE:g}: must not be below 0, the throat plane. Raise it"
            )
        raise ValueError(
            f"section_exponent = {value:g} at z_mm = 0: must be 2, since the throat is round. Write 2, or leave that"
            " pair out"
        )
    if len(given) == 1:
        raise ValueError(
            "section_exponent holds only the throat's pair: must have another, of the mouth. Add it, or write 2 for an"
            " ellipse"
        )
    for (before, _), (after, _) in itertools.pairwise(given):
        if after - before < 1e-6:
            raise ValueError(
                f"section_exponent: z_mm = {after / MILLIMETRE:g} follows {before / MILLIMETRE:g}: must rise by 0.001"
                " at least. Put the pairs in order, or remove one"
            )
    for z, value in given:
        _check_exponent(value, f" at z_mm = {z / MILLIMETRE:g}")
    return given


@lru_cache(maxsize=64)
def _monotone(pairs: tuple[tuple[float, float], ...], depth: float) -> PchipInterpolator:
    """The curve through the pairs; a level stretch up to the mouth makes it end without a crease."""
    level = ((depth, pairs[-1][1]),) if pairs[-1][0] < depth - 1e-6 else ()
    known, values = np.array((*pairs, *level)).T
    return PchipInterpolator(known, values)


@dataclass(frozen=True)
class RoundedRectangle:
    """A rectangle with rounded corners: quarter circles of `corner_radius` (m) at the mouth.

    The corner's two semi-axes, as shares of the section's, go from 1 at the throat, a circle, to those of the mouth's
    quarter circles as 3 t^2 - 2 t^3 of the share t of the depth: between, the corners are quarter ellipses.
    Errors: ValueError for a radius of zero or below, or wider than the mouth allows (when it is met).
    """

    corner_radius: float

    def __post_init__(self) -> None:
        if not 0.0 < self.corner_radius < math.inf:
            raise ValueError(
                f"corner_radius_mm = {self.corner_radius / MILLIMETRE:g}: must be above 0, and no smaller than the"
                " cutter's radius. Raise it"
            )

    def check(self, mouth: Mouth) -> None:
        """See Section."""
        smaller = min(mouth.half_width, mouth.half_height)
        if self.corner_radius > smaller * (1.0 + 1e-12):
            raise ValueError(
                f"corner_radius_mm = {self.corner_radius / MILLIMETRE:g}: must be at most half the mouth's smaller"
                f" side, {smaller / MILLIMETRE:.4g}. Lower it, or make the mouth larger"
            )

    def cuts(self, depth: float) -> tuple[float, ...]:
        """See Section."""
        return ()

    def turns(self, mouth: Mouth) -> tuple[float, ...]:
        """See Section: where a side runs into a corner."""
        (p, q), *_ = self._corner(np.array(mouth.depth), mouth)
        found = float(np.arctan(1.0 - q)), float(np.arctan2(1.0, 1.0 - p))
        return tuple(each for each in found if 1e-9 < each < 0.5 * np.pi - 1e-9)

    def shares(self, z: FloatArray, *, mouth: Mouth) -> FloatArray:
        """The corner's semi-axes as shares of the section's own, (2, ...), at depths z (m, any shape)."""
        return self._corner(z, mouth)[0]

    def _corner(self, z: FloatArray, mouth: Mouth) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The corner's semi-axes as shares of the section's (2, ...), and their first and second derivatives by z."""
        t = np.clip(z / mouth.depth, 0.0, 1.0)
        change = np.minimum(1.0, self.corner_radius / np.array([mouth.half_width, mouth.half_height])) - 1.0
        return (
            1.0 + np.multiply.outer(change, t**2 * (3.0 - 2.0 * t)),
            np.multiply.outer(change, 6.0 * t * (1.0 - t) / mouth.depth),
            np.multiply.outer(change, (6.0 - 12.0 * t) / mouth.depth**2),
        )

    def factor(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth) -> FloatArray:
        """See Section: the ray from the centre meets a side, or the corner's ellipse at the larger of two roots."""
        self.check(mouth)
        (p, q), *_ = self._corner(np.asarray(z), mouth)
        c, s = np.maximum(np.abs(np.cos(psi)), _TINY), np.maximum(np.abs(np.sin(psi)), _TINY)
        return np.where(s <= (1.0 - q) * c, 1.0 / c, np.where(c <= (1.0 - p) * s, 1.0 / s, _met(p, q, c, s)))

    def curve(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth, bends: bool = True) -> UnitCurve:
        """See Section: t is y/b on the right side, the angle about the corner's centre on the corner, -x/a on top."""
        self.check(mouth)
        (p, q), (p_z, q_z), (p_zz, q_zz) = self._corner(z, mouth)
        c, s = np.maximum(np.cos(psi), _TINY), np.maximum(np.sin(psi), _TINY)
        right, top = s < (1.0 - q) * c, c < (1.0 - p) * s
        f = _met(p, q, c, s)
        turn = np.arctan2(np.maximum(f * s - (1.0 - q), 0.0) / q, np.maximum(f * c - (1.0 - p), 0.0) / p)
        cosine, sine = np.cos(turn), np.sin(turn)
        zero, one = np.zeros_like(f), np.ones_like(f)

        def where(on_right: FloatArray, on_top: FloatArray, on_corner: FloatArray) -> FloatArray:
            return np.where(right, on_right, np.where(top, on_top, on_corner))

        known = (
            where(one, c / s, 1.0 - p + p * cosine),
            where(s / c, one, 1.0 - q + q * sine),
            where(zero, -one, -p * sine),
            where(one, zero, q * cosine),
            where(zero, zero, p_z * (cosine - 1.0)),
            where(zero, zero, q_z * (sine - 1.0)),
        )
        if not bends:
            return UnitCurve(*known, *UNASKED)
        return UnitCurve(
            *known,
            where(zero, zero, -p * cosine),
            where(zero, zero, -q * sine),
            where(zero, zero, -p_z * sine),
            where(zero, zero, q_z * cosine),
            where(zero, zero, p_zz * (cosine - 1.0)),
            where(zero, zero, q_zz * (sine - 1.0)),
        )


def _met(p: FloatArray, q: FloatArray, c: FloatArray, s: FloatArray) -> FloatArray:
    """Where the ray f (c, s) leaves the ellipse of semi-axes p, q about (1 - p, 1 - q)."""
    square = (c / p) ** 2 + (s / q) ** 2
    half = c * (1.0 - p) / p**2 + s * (1.0 - q) / q**2
    rest = ((1.0 - p) / p) ** 2 + ((1.0 - q) / q) ** 2 - 1.0
    return np.asarray((half + np.sqrt(np.maximum(half**2 - square * rest, 0.0))) / square)
