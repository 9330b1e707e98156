"""Radiators and horns whose sound is known in closed form: what solvers are judged by and targets stand on.

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
from evenflare.units import DEGREE, ComplexArray, FloatArray, power_db

Motion = Literal["radial", "axial"]
"""How a cap moves: normal to the sphere everywhere, or as one stiff body along its axis."""

PATTERN_CONTROL = 2.54e4 * DEGREE
"""Hz rad m: 10^6 Hz degree inch."""


def point_source_pressure(frequency: ArrayLike, *, volume_velocity: float, air: Air) -> ComplexArray:
    """Far pressure of a point source in free space, Pa m: the limit of p r exp(j k r). Rms in, rms out.

    frequency       : (F,) Hz.
    volume_velocity : m3/s.
    Source: Morse and Ingard, Theoretical Acoustics (1968), section 7.1.
    """
    return np.asarray(0.5j * air.density * np.asarray(frequency) * volume_velocity)


def point_source_power(frequency: ArrayLike, *, volume_velocity: float, air: Air) -> FloatArray:
    """Sound power of a point source in free space, W. Arguments and source as `point_source_pressure`."""
    pressure = np.abs(point_source_pressure(frequency, volume_velocity=volume_velocity, air=air))
    return np.asarray(4.0 * np.pi * pressure**2 / air.impedance)


def pulsating_sphere_impedance(size: ArrayLike) -> ComplexArray:
    """Specific radiation impedance of a pulsating sphere, shaped as `size`: j kR / (1 + j kR).

    Source: Morse and Ingard (1968), section 7.1.
    """
    x = 1j * np.asarray(size, dtype=np.float64)
    return np.asarray(x / (1.0 + x))


def pulsating_sphere_pressure(
    wavenumber: ArrayLike, distance: ArrayLike, *, radius: float, velocity: float, air: Air
) -> ComplexArray:
    """Pressure around a pulsating sphere, Pa, at `distance` >= `radius` (m) from its centre. Shapes broadcast.

    wavenumber : rad/m.
    velocity   : m/s of the surface.
    Source: Morse and Ingard (1968), section 7.1.
    """
    k, r = np.asarray(wavenumber), np.asarray(distance)
    surface = air.impedance * pulsating_sphere_impedance(k * radius) * velocity
    return np.asarray(surface * radius / r * np.exp(-1j * k * (r - radius)))


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
    weight, reciprocal, _ = _cap(x, half_angle, motion, _far_degrees(x))
    order = np.arange(weight.size)
    legendre = eval_legendre(order[:, None], np.cos(np.atleast_1d(off_axis)))
    turned = weight * 1j ** (order % 4)
    return np.asarray((reciprocal.T * turned) @ legendre / (1j * x**2)[:, None])


def cap_index(size: ArrayLike, *, half_angle: float, motion: Motion = "axial") -> FloatArray:
    """Directivity index (F,) dB on axis of a cap on a rigid sphere. Arguments and source as `cap_pattern`."""
    x = np.atleast_1d(np.asarray(size, dtype=np.float64))
    weight, reciprocal, _ = _cap(x, half_angle, motion, _far_degrees(x))
    order = np.arange(weight.size)
    on_axis = (weight * 1j ** (order % 4)) @ reciprocal
    mean_square = (weight**2 / (2 * order + 1)) @ np.abs(reciprocal) ** 2
    return power_db(np.abs(on_axis) ** 2 / mean_square)


def cap_impedance(size: ArrayLike, *, half_angle: float, motion: Motion = "axial") -> ComplexArray:
    """Specific radiation impedance (F,) of a cap on a rigid sphere: force along the motion / (u rho c area).

    The area is the cap's radially, its projection axially; half_angle > 0. The slowly converging reactance is
    extrapolated from 800 and 1600 terms, right to about 1e-6. Arguments and source as `cap_pattern`.
    """
    if half_angle <= 0.0:
        raise ValueError(f"half_angle = {half_angle:g} rad: the impedance of a point is infinite")
    x = np.atleast_1d(np.asarray(size, dtype=np.float64))
    terms = 1600
    weight, _, ratio = _cap(x, half_angle, motion, terms)
    summed = np.cumsum((weight**2 / (2 * np.arange(terms) + 1))[:, None] * ratio, axis=0)
    limit = summed[-1] + (summed[-1] - summed[terms // 2 - 1]) / 3.0
    area = 0.5 * (1.0 - np.cos(half_angle)) if motion == "radial" else 0.25 * np.sin(half_angle) ** 2
    return np.asarray(-1j * area * limit)


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


def piston_pressure(
    frequency: ArrayLike, off_axis: ArrayLike, *, radius: float, velocity: float, air: Air
) -> ComplexArray:
    """Far pressure of a baffled circular piston, Pa m: the limit of p r exp(j k r), r from its centre. Rms in and out.

    frequency : (F,) Hz.
    off_axis  : (A,) rad, up to pi/2. Returns (F, A).
    radius    : m.
    velocity  : m/s.
    Source: Kinsler et al., section 7.4.
    """
    f = np.atleast_1d(np.asarray(frequency, dtype=np.float64))
    on_axis = 2.0 * point_source_pressure(f, volume_velocity=np.pi * radius**2 * velocity, air=air)
    return np.asarray(on_axis[:, None] * piston_pattern(2.0 * np.pi * f * radius / air.speed_of_sound, off_axis))


def piston_axis_pressure(
    frequency: ArrayLike, distance: ArrayLike, *, radius: float, velocity: float, air: Air
) -> ComplexArray:
    """Pressure on the axis of a baffled circular piston at any distance (m) from its centre, Pa. Shapes broadcast.

    Two waves, from the centre and from the rim. Arguments as `piston_pressure`. Source: Kinsler et al., section 7.4.
    """
    k = 2.0 * np.pi * np.asarray(frequency) / air.speed_of_sound
    z = np.asarray(distance, dtype=np.float64)
    return np.asarray(air.impedance * velocity * (np.exp(-1j * k * z) - np.exp(-1j * k * np.hypot(z, radius))))


def cone_throat_impedance(wavenumber: ArrayLike, *, apex_distance: float) -> ComplexArray:
    """Specific throat impedance of an infinite conical horn, shaped as `wavenumber` (rad/m): j k x / (1 + j k x).

    apex_distance : m from the apex to the throat: along the axis for plane wavefronts, along the wall for spherical.
    Source: Beranek and Mellow (2012), section 9.10; the wave of a pulsating sphere.
    """
    return pulsating_sphere_impedance(np.asarray(wavenumber) * apex_distance)


def hyperbolic_throat_impedance(frequency_ratio: ArrayLike, *, parameter: float) -> ComplexArray:
    """Specific throat impedance of an infinite horn of the hyperbolic family, shaped as `frequency_ratio`.

    Area: S0 (cosh(x/x0) + T sinh(x/x0))^2, cut-off c / (2 pi x0), plane wavefronts.
    frequency_ratio : frequency over cut-off, > 0.
    parameter       : T >= 0: 1 exponential, 0 catenoidal (infinite at cut-off), 0.6 usual between.
    Source: V. Salmon, J. Acoust. Soc. Am. 17 (1946) 199-218.
    """
    ratio = np.asarray(frequency_ratio, dtype=np.float64)
    # Below cut-off the root that dies away into the horn.
    root = np.where(ratio >= 1.0, 1.0, -1j) * np.sqrt(np.abs(ratio**2 - 1.0))
    return np.asarray(ratio / (root - 1j * parameter))


def uniform_cone_index(coverage: ArrayLike) -> FloatArray:
    """Directivity index, dB, of a beam even inside a cone of full angle `coverage` (rad, 0 to 2 pi), zero outside.

    Source: the cone's solid angle.
    """
    return power_db(1.0 / np.sin(0.25 * np.asarray(coverage)) ** 2)


def uniform_rectangle_index(horizontal: ArrayLike, vertical: ArrayLike) -> FloatArray:
    """Directivity index, dB, of a beam even inside a rectangle of full angles (rad, 0 to pi), zero outside.

    Source: the solid angle of a pyramid, 4 asin(sin(A/2) sin(B/2)).
    """
    sides = np.sin(0.5 * np.asarray(horizontal)) * np.sin(0.5 * np.asarray(vertical))
    return power_db(np.pi / np.arcsin(sides))


def pattern_control_frequency(coverage: ArrayLike, *, mouth_width: ArrayLike) -> FloatArray:
    """Frequency, Hz, down to which a mouth of that width (m) holds a full coverage angle (rad): a rule of thumb.

    10^6 Hz degree inch over angle and width. Source: D. B. Keele, AES 51st convention (1975), empirical.
    """
    return np.asarray(PATTERN_CONTROL / (np.asarray(coverage) * np.asarray(mouth_width)))


def tube_cut_on(radius: float, *, air: Air, mode: Literal["cross", "axisymmetric"] = "cross") -> float:
    """Hz from which a round rigid tube of `radius` (m) carries its first cross mode, or its first axisymmetric one.

    Source: Morse and Ingard (1968), section 9.2: zeros 1.8412 of J1' and 3.8317 of J1 over 2 pi radius / c.
    """
    zero = float(jnp_zeros(1, 1)[0] if mode == "cross" else jn_zeros(1, 1)[0])
    return zero * air.speed_of_sound / (2.0 * np.pi * radius)


def _far_degrees(size: FloatArray) -> int:
    """Degrees after which the far field's series has converged to rounding."""
    return int(32 + 2 * np.max(size))


def _cap(
    size: FloatArray, half_angle: float, motion: Motion, count: int
) -> tuple[FloatArray, ComplexArray, ComplexArray]:
    """Velocity of the cap by Legendre degree, and of the wave outside.

    Returns weight (N,): coefficient times sphere area / volume velocity, 2n + 1 for a point; and of the spherical
    Hankel function of the second kind 1 / h'(kR) and h / h', both (N, F).
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
    reciprocal, ratio = _hankel(size, count)
    return np.asarray(weight, dtype=np.float64), reciprocal, ratio


def _hankel(size: FloatArray, count: int) -> tuple[ComplexArray, ComplexArray]:
    """1 / h_n'(x) and h_n(x) / h_n'(x), (count, F), second kind, by the quotient h_n / h_(n-1): it cannot overflow."""
    reciprocal = np.empty((count, size.size), dtype=np.complex128)
    ratio = np.empty_like(reciprocal)
    quotient = np.full(size.size, 1j)
    inverse = size * np.exp(1j * size)  # 1 / h_(-1)
    for n in range(count):
        if n > 0:
            quotient = (2 * n - 1) / size - 1.0 / quotient
        inverse = inverse / quotient
        ratio[n] = 1.0 / (1.0 / quotient - (n + 1) / size)
        reciprocal[n] = inverse * ratio[n]
    return reciprocal, ratio
