"""Radiators whose sound is known in closed form: what solvers are judged by and targets stand on.

Phasors are exp(+j w t). A `size` is wavenumber times radius, > 0. Impedances are specific: over density times speed
of sound. Directivity indices are dB over the whole sphere, also in a baffle.
Section and page numbers of the sources are from memory; the formulas were checked against independent numbers.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import eval_legendre, j1, jn_zeros, jnp_zeros, struve

from evenflare.air import Air
from evenflare.units import ComplexArray, FloatArray, power_db

Motion = Literal["radial", "axial"]
"""How a cap moves: normal to the sphere everywhere, or as one stiff body along its axis."""


def cap_pattern(size: ArrayLike, off_axis: ArrayLike, *, half_angle: float, motion: Motion = "axial") -> ComplexArray:
    """Far pressure of a cap on a rigid sphere over that of a free point source of its volume velocity at the centre.

    size       : (F,) wavenumber times radius of the sphere.
    off_axis   : (A,) rad.
    half_angle : rad, of the cap seen from the centre: 0 (a point source on the sphere) to pi, axial to pi/2.
    motion     : volume velocity counts area radially, or the cap's projected area axially; alike for a point.
    Returns (F, A). Its value at angle 0 is the on-axis level; over that value, the polar pattern. ValueError on the
    half-angle. Source: Beranek and Mellow, Acoustics (2012), sections 12.5 and 12.6; Aarts and Janssen, J. Acoust.
    Soc. Am. 129 (2011).
    """
    x = np.atleast_1d(np.asarray(size, dtype=np.float64))
    weight, reciprocal = _cap(x, half_angle, motion, _far_degrees(x))
    order = np.arange(weight.size)
    legendre = eval_legendre(order[:, None], np.cos(np.atleast_1d(off_axis)))
    turned = weight * 1j ** (order % 4)
    return np.asarray((reciprocal.T * turned) @ legendre / (1j * x**2)[:, None])


def cap_index(size: ArrayLike, *, half_angle: float, motion: Motion = "axial") -> FloatArray:
    """Directivity index (F,) dB on axis of a cap on a rigid sphere. Arguments and source as `cap_pattern`."""
    x = np.atleast_1d(np.asarray(size, dtype=np.float64))
    weight, reciprocal = _cap(x, half_angle, motion, _far_degrees(x))
    order = np.arange(weight.size)
    on_axis = (weight * 1j ** (order % 4)) @ reciprocal
    mean_square = (weight**2 / (2 * order + 1)) @ np.abs(reciprocal) ** 2
    return power_db(np.abs(on_axis) ** 2 / mean_square)


def piston_pattern(size: ArrayLike, off_axis: ArrayLike) -> FloatArray:
    """Far pressure of a flat circular piston in an infinite baffle re on axis, real: 2 J1(x) / x, x = ka sin t.

    size     : (F,) wavenumber times radius.
    off_axis : (A,) rad, up to pi/2. Returns (F, A).
    Source: Kinsler et al., Fundamentals of Acoustics, section 7.4.
    """
    x = np.atleast_1d(np.asarray(size, dtype=np.float64))[:, None] * np.sin(np.atleast_1d(off_axis))
    small = np.abs(x) < 1e-9
    safe = np.where(small, 1.0, x)
    return np.asarray(np.where(small, 1.0, 2.0 * j1(safe) / safe))


def piston_axis_pressure(
    frequency: ArrayLike, distance: ArrayLike, *, radius: float, velocity: float, air: Air
) -> ComplexArray:
    """Pressure on the axis of a baffled circular piston at any distance (m) from its centre, Pa. Shapes broadcast.

    Two waves, from the centre and from the rim. velocity in m/s. Source: Kinsler et al., section 7.4.
    """
    k = 2.0 * np.pi * np.asarray(frequency) / air.speed_of_sound
    z = np.asarray(distance, dtype=np.float64)
    return np.asarray(air.impedance * velocity * (np.exp(-1j * k * z) - np.exp(-1j * k * np.hypot(z, radius))))


def piston_index(size: ArrayLike) -> FloatArray:
    """Directivity index, dB over the whole sphere, of a baffled circular piston: 10 log (ka)^2 / (1 - J1(2ka)/ka).

    3.01 dB where small. Shaped as `size`, > 0. Source: Kinsler et al., section 7.6, times 2 for the whole sphere.
    """
    x = np.asarray(size, dtype=np.float64)
    return power_db(x**2 / _piston_resistance(x))


def elliptical_piston_pattern(
    wavenumber: ArrayLike, off_axis: ArrayLike, *, azimuth: ArrayLike, half_width: float, half_height: float
) -> FloatArray:
    """Far pressure of a flat elliptical piston in an infinite baffle re on axis, real.

    In each plane that of the round piston as wide as the ellipse reaches across that plane: 2 J1(w) / w,
    w = k sin(t) sqrt(a^2 cos^2(f) + b^2 sin^2(f)), f the azimuth, a the half-width, b the half-height.
    wavenumber : (F,) rad/m.
    off_axis   : (A,) rad, up to pi/2.
    azimuth    : (P,) rad, 0 along the width. Returns (F, P, A).
    half_width, half_height : m, semi-axes.
    Source: the aperture integral of an even ellipse; Balanis, Antenna Theory, elliptical apertures.
    """
    k = np.atleast_1d(np.asarray(wavenumber, dtype=np.float64))
    reach = _elliptical_reach(azimuth, half_width, half_height)
    pattern = piston_pattern(np.outer(k, reach).ravel(), off_axis)
    return pattern.reshape(k.size, reach.size, -1)


def elliptical_piston_index(wavenumber: ArrayLike, *, half_width: float, half_height: float) -> FloatArray:
    """Directivity index (F,) dB over the whole sphere of a baffled elliptical piston; arguments as its pattern's.

    Since it is a round piston's in each plane, its mean square is the mean over azimuth of round pistons'. The midpoint
    rule for that mean converges exponentially (the integrand is periodic and smooth): its points suffice to 1e-9 dB
    where neither semi-axis is above ten times the other.
    Limits: 3.01 dB where small; 10 log 4 pi S / wavelength^2 = 20 log k sqrt(a b) where large.
    """
    k = np.atleast_1d(np.asarray(wavenumber, dtype=np.float64))
    points = 64 + int(np.ceil(np.max(k) * abs(half_width - half_height)))
    azimuth = (np.arange(points) + 0.5) * 0.5 * np.pi / points
    size = np.outer(k, _elliptical_reach(azimuth, half_width, half_height))
    return power_db(1.0 / np.mean(_piston_resistance(size) / size**2, axis=1))


def _elliptical_reach(azimuth: ArrayLike, half_width: float, half_height: float) -> FloatArray:
    """m, how far an ellipse reaches from its centre in the direction of an azimuth: to the tangent across it."""
    f = np.atleast_1d(np.asarray(azimuth, dtype=np.float64))
    return np.hypot(half_width * np.cos(f), half_height * np.sin(f))


def _piston_resistance(size: FloatArray) -> FloatArray:
    """Real part of `piston_impedance`."""
    y = 2.0 * size
    # Below, the difference 1 - 2 J1(y)/y loses its digits; two terms of its series are right to 1e-11.
    small = y < 1e-2
    safe = np.where(small, 1.0, y)
    return np.asarray(np.where(small, y**2 / 8.0 - y**4 / 192.0, 1.0 - 2.0 * j1(safe) / safe))


def piston_impedance(size: ArrayLike) -> ComplexArray:
    """Specific radiation impedance of a baffled circular piston, shaped as `size`: 1 - 2 J1(y)/y + 2j H1(y)/y, y = 2ka.

    H1 is the Struve function. Source: Kinsler et al., Fundamentals of Acoustics, section 7.5.
    """
    x = np.asarray(size, dtype=np.float64)
    y = 2.0 * x
    small = y < 1e-2  # two terms of the series of H1 are right to 1e-11
    safe = np.where(small, 1.0, y)
    reactance = np.where(small, 4.0 * y / (3.0 * np.pi) * (1.0 - y**2 / 15.0), 2.0 * struve(1, safe) / safe)
    return np.asarray(_piston_resistance(x) + 1j * reactance)


def uniform_cone_index(coverage: ArrayLike) -> FloatArray:
    """Directivity index, dB, of a beam even inside a cone of full angle `coverage` (rad, 0 to 2 pi), zero outside.

    Source: the cone's solid angle.
    """
    return power_db(1.0 / np.sin(0.25 * np.asarray(coverage)) ** 2)


def tube_cut_on(radius: float, *, air: Air, mode: Literal["cross", "axisymmetric"] = "cross") -> float:
    """Hz from which a round rigid tube of `radius` (m) carries its first cross mode, or its first axisymmetric one.

    Source: Morse and Ingard (1968), section 9.2: zeros 1.8412 of J1' and 3.8317 of J1 over 2 pi radius / c.
    """
    zero = float(jnp_zeros(1, 1)[0] if mode == "cross" else jn_zeros(1, 1)[0])
    return zero * air.speed_of_sound / (2.0 * np.pi * radius)


def _far_degrees(size: FloatArray) -> int:
    """Degrees after which the far field's series has converged to rounding."""
    return int(32 + 2 * np.max(size))


def _cap(size: FloatArray, half_angle: float, motion: Motion, count: int) -> tuple[FloatArray, ComplexArray]:
    """Velocity of the cap by Legendre degree, and of the wave outside.

    Returns weight (N,): coefficient times sphere area / volume velocity, 2n + 1 for a point; and 1 / h'(kR) (N, F) of
    the spherical Hankel function of the second kind.
    """
    largest = np.pi if motion == "radial" else 0.5 * np.pi
    if not 0.0 <= half_angle <= largest + 1e-12:
        raise ValueError(f"half_angle = {half_angle:g} rad: must be 0 to {largest:g} for {motion} motion")
    order = np.arange(count)
    cosine = np.cos(half_angle)

    def legendre(shift: int) -> FloatArray:
        degree = order + shift
        return np.asarray(eval_legendre(np.where(degree < 0, -degree - 1, degree), cosine))

    if half_angle == 0.0:
        weight = 2.0 * order + 1.0
    elif motion == "radial":
        weight = (legendre(-1) - legendre(1)) / (1.0 - cosine)
    else:
        above = (order + 1) / (2 * order + 3) * (legendre(0) - legendre(2))
        below = order / (2 * order - 1) * (legendre(-2) - legendre(0))
        weight = 2.0 * (above + below) / np.sin(half_angle) ** 2
    return np.asarray(weight, dtype=np.float64), _hankel(size, count)


def _hankel(size: FloatArray, count: int) -> ComplexArray:
    """1 / h_n'(x), (count, F), second kind, by the quotient h_n / h_(n-1): it cannot overflow."""
    reciprocal = np.empty((count, size.size), dtype=np.complex128)
    quotient = np.full(size.size, 1j)
    inverse = size * np.exp(1j * size)  # 1 / h_(-1)
    for n in range(count):
        if n > 0:
            quotient = (2 * n - 1) / size - 1.0 / quotient
        inverse = inverse / quotient
        reciprocal[n] = inverse * (1.0 / (1.0 / quotient - (n + 1) / size))
    return reciprocal
