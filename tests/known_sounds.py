"""Sounds known in closed form that tests hold solvers against, beyond those that the product itself stands on.

Phasors are exp(+j w t). A `size` is wavenumber times radius, > 0. Impedances are specific: over density times speed
of sound. Section and page numbers of the sources are from memory; the formulas were checked against independent
numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import eval_legendre

from evenflare.air import Air
from evenflare.closed_forms import Motion, piston_pattern
from evenflare.units import DEGREE, ComplexArray, FloatArray

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


def cap_impedance(size: ArrayLike, *, half_angle: float, motion: Motion = "axial") -> ComplexArray:
    """Specific radiation impedance (F,) of a cap on a rigid sphere: force along the motion / (u rho c area).

    The area is the cap's radially, its projection axially; half_angle > 0. The slowly converging reactance is
    extrapolated from 800 and 1600 terms, right to about 1e-6. Arguments and source as `closed_forms.cap_pattern`.
    """
    x = np.atleast_1d(np.asarray(size, dtype=np.float64))
    terms = 1600
    order = np.arange(terms)
    # P_n at the rim from n = -1, where it is P_0, to terms + 1.
    p = eval_legendre(np.maximum(np.arange(-1, terms + 2), 0), np.cos(half_angle))
    before, here, after, second = p[:terms], p[1 : terms + 1], p[2 : terms + 2], p[3 : terms + 3]
    if motion == "radial":
        weight = (before - after) / (1.0 - np.cos(half_angle))
    else:
        two_before = np.concatenate([[p[2]], p[: terms - 1]])  # P_(-2) is P_1
        above = (order + 1) / (2 * order + 3) * (here - second)
        below = order / (2 * order - 1) * (two_before - here)
        weight = 2.0 * (above + below) / np.sin(half_angle) ** 2
    ratio = np.empty((terms, x.size), dtype=complex)  # h_n / h_n', by the quotient h_n / h_(n-1)
    quotient = np.full(x.size, 1j)
    for n in range(terms):
        quotient = (2 * n - 1) / x - 1.0 / quotient if n > 0 else quotient
        ratio[n] = 1.0 / (1.0 / quotient - (n + 1) / x)
    summed = np.cumsum((weight**2 / (2 * order + 1))[:, None] * ratio, axis=0)
    limit = summed[-1] + (summed[-1] - summed[terms // 2 - 1]) / 3.0
    area = 0.5 * (1.0 - np.cos(half_angle)) if motion == "radial" else 0.25 * np.sin(half_angle) ** 2
    return np.asarray(-1j * area * limit)


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


def pattern_control_frequency(coverage: ArrayLike, *, mouth_width: ArrayLike) -> FloatArray:
    """Frequency, Hz, down to which a mouth of that width (m) holds a full coverage angle (rad): a rule of thumb.

    10^6 Hz degree inch over angle and width. Source: D. B. Keele, AES 51st convention (1975), empirical.
    """
    return np.asarray(PATTERN_CONTROL / (np.asarray(coverage) * np.asarray(mouth_width)))
