"""How one driver radiates by itself: a piston in closed form, or a directivity that was predicted or measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare import metrics
from evenflare.closed_forms import cap_pattern, piston_pattern
from evenflare.directivity.types import Directivity, Observation, unit_vectors
from evenflare.dsp.equaliser import valid_band
from evenflare.dsp.on_axis import for_unit_velocity
from evenflare.units import ComplexArray, FloatArray

IN_FRONT = 0.5 * np.pi + 1e-9
"""rad, the last angle that an infinite baffle does not hide."""
LONGEST_DELAY = 0.05
"""s, within which the delay of a response is sought before its phase is interpolated."""

ASIDE = 1e-9
"""Sine of the angle by which a driver may look aside by rounding and still be heard alike from left and right."""

Values = TypeVar("Values", FloatArray, ComplexArray)
Radiates = Callable[[FloatArray, FloatArray, FloatArray], ComplexArray]
"""frequency (F,) Hz, off-axis angle (D,) rad from 0 to pi, azimuth (D,) rad -> far pressure (F, D), Pa m."""
Near = Callable[[FloatArray, FloatArray], ComplexArray]
"""frequency (F,) Hz, places (D, 3) m from the driver's own reference point -> pressure (F, D), Pa."""


@dataclass(frozen=True)
class Radiator:
    """A driver by itself.

    far            : its far pressure, the limit of p r exp(j k r), r from the driver's own reference point.
    half_space     : True where it stands in an infinite baffle.
    band           : Hz, from and to where it is known. Beyond, its pattern and level are held as at the end.
    speed_of_sound : m/s.
    near           : its pressure anywhere outside its cabinet; None: its far pressure along the way, over the distance.
    upright        : whether left and right hear it alike.
    unit_velocity  : whether its pressure, in Pa rms at 1 m, is that for 1 m/s rms over a waveguide's exit.
    """

    far: Radiates
    half_space: bool
    band: tuple[float, float]
    speed_of_sound: float
    near: Near | None = None
    upright: bool = True
    unit_velocity: bool = False


def piston(radius: float, *, speed_of_sound: float, sphere_radius: float | None = None) -> Radiator:
    """A rigid piston of constant volume acceleration, 1 Pa m far on axis in an infinite baffle.

    radius        : m.
    sphere_radius : m, of the rigid sphere on which it is a cap, so that it radiates all round as from a cabinet of that
                    size; None: a flat piston in an infinite baffle. The reference point is in the middle of its face.
    ValueError if it does not fit on the sphere. Not in it: the cone's depth and break-up, the cabinet's edges.
    Source: Kinsler et al., Fundamentals of Acoustics, section 7.4; Beranek and Mellow, Acoustics (2012), section 12.6.
    """
    if sphere_radius is None:

        def baffled(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
            seen = np.minimum(off_axis, 0.5 * np.pi)
            pattern = piston_pattern(2.0 * np.pi * frequency * radius / speed_of_sound, seen)
            return np.asarray(pattern * (off_axis <= IN_FRONT), dtype=np.complex128)

        return Radiator(baffled, True, (0.0, np.inf), speed_of_sound)
    if not radius < sphere_radius:
        raise ValueError(f"a piston of radius {radius:g} m does not fit on a sphere of radius {sphere_radius:g} m")
    half_angle = float(np.arcsin(radius / sphere_radius))

    def on_sphere(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        size = 2.0 * np.pi * frequency * sphere_radius / speed_of_sound
        angle, place = np.unique(off_axis, return_inverse=True)
        # Over a free source at the centre, so half of the same source in a baffle; then seen from the cap's middle.
        from_centre = 0.5 * cap_pattern(size, angle, half_angle=half_angle)
        return np.asarray((from_centre * np.exp(-1j * np.outer(size, np.cos(angle))))[:, place])

    return Radiator(on_sphere, False, (0.0, np.inf), speed_of_sound)


def turned(driver: Radiator, ahead: FloatArray) -> Radiator:
    """A driver alike all round its axis, turned to look toward a unit vector (3,) about its point of reference."""

    def far(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        seen = np.arccos(np.clip(unit_vectors(off_axis, azimuth) @ ahead, -1.0, 1.0))
        return driver.far(frequency, seen, np.zeros(seen.shape))

    return replace(driver, far=far, upright=driver.upright and abs(float(ahead[0])) < ASIDE)


def stored(directivity: Directivity) -> Radiator:
    """A driver as it was predicted or measured; at a finite distance its pattern is taken as that of the far field.

    Between off-axis angles the complex pressure is a cubic spline. Between neighbouring half-orbits the mean square
    goes as cos^2 and sin^2 of azimuth, scaled to their spacing, as in `metrics.sphere_weights`, and the phase is that
    of the pressures so weighted; a side or plane not observed is taken from the symmetry. Between frequencies the level
    and, its delay taken out, the phase on axis are straight over log frequency, as is the pressure re on-axis.
    ValueError if no frequency is valid, it is silent on axis, or the angles do not cover the sphere.
    """
    observation = directivity.observation
    metrics.sphere_weights(observation, half_space=directivity.half_space)
    band = valid_band(directivity)
    inside = (observation.frequency >= band[0]) & (observation.frequency <= band[1])
    known = observation.frequency[inside]
    silent = known[directivity.on_axis[inside] == 0.0]
    if silent.size:
        raise ValueError(f"is silent on axis at {silent[0]:g} Hz: it has no level there to join another driver to")
    pressure = directivity.pressure[inside]
    if not observation.far_field:
        travel = np.exp(1j * directivity.wavenumber[inside] * observation.distance)
        pressure = pressure * (observation.distance * travel)[:, None, None]
    orbits = _orbits(observation, pressure, half_space=directivity.half_space)
    on_axis = orbits[min(orbits)](0.0)
    delay = _delay(known, on_axis)

    def far(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        around = _around(orbits, off_axis, azimuth)
        if directivity.half_space:
            around = around * (off_axis <= IN_FRONT)
        relative = over(known, around / on_axis[:, None], frequency)
        turned = on_axis * np.exp(2j * np.pi * known * delay)
        level = over(known, np.log(np.abs(turned)), frequency)
        phase = over(known, np.unwrap(np.angle(turned)), frequency) - 2.0 * np.pi * frequency * delay
        return np.asarray(relative * np.exp(level + 1j * phase)[:, None])

    upright = observation.symmetry != "none"
    velocity = for_unit_velocity(directivity)
    return Radiator(
        far, directivity.half_space, band, directivity.speed_of_sound, upright=upright, unit_velocity=velocity
    )


def _orbits(observation: Observation, pressure: ComplexArray, *, half_space: bool) -> dict[float, CubicSpline]:
    """Pressure over the angle from the axis, by the azimuth (rad, 0 to 2 pi) of every half-orbit that is known."""
    angle = observation.off_axis
    limit = IN_FRONT if half_space else np.pi + metrics.SAME_ANGLE
    own: list[tuple[float, CubicSpline]] = []
    sides = [sign for sign in (1, -1) if np.any(sign * angle > metrics.SAME_ANGLE)]
    for sign in sides:
        side = sign * angle > -metrics.SAME_ANGLE
        behind = np.abs(angle) >= np.pi - metrics.SAME_ANGLE
        if not np.any(side & behind):
            side = side | behind  # straight behind belongs to both sides
        index = np.flatnonzero(side & (np.abs(angle) <= limit))
        index = index[np.argsort(np.abs(angle[index]))]
        for plane, azimuth in enumerate(observation.plane):
            spline = CubicSpline(np.abs(angle[index]), pressure[:, plane, index], axis=1)
            own.append((azimuth if sign > 0 else azimuth + np.pi, spline))
    left, down = observation.symmetry != "none", observation.symmetry in ("round", "two_planes")
    other = len(sides) == 1  # a side not observed equals the other
    mirrors = [(1, 0.0), *([(-1, np.pi)] * left), *([(-1, 0.0), (1, np.pi)] * down)]
    mirrors += [(sign, shift + np.pi) for sign, shift in mirrors] * other
    found: dict[float, CubicSpline] = {}
    for sign, shift in mirrors:
        for azimuth, spline in own:
            # Rounded, so that a full turn and none are one; what was observed itself comes first and stays.
            found.setdefault(round(float(np.mod(sign * azimuth + shift + 1e-10, 2.0 * np.pi)), 8), spline)
    return dict(sorted(found.items()))


def _around(orbits: dict[float, CubicSpline], off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
    """(K, D) pressure in any directions."""
    turn = np.array(list(orbits))
    splines = list(orbits.values())
    start = np.searchsorted(turn, np.mod(azimuth, 2.0 * np.pi) + 1e-7, side="right") - 1  # -1: the last, before 0
    end = (start + 1) % turn.size
    gap = np.mod(turn[end] - turn[start], 2.0 * np.pi)
    gap = np.where(gap == 0.0, 2.0 * np.pi, gap)
    part = np.clip(np.mod(azimuth - turn[start] + 1e-7, 2.0 * np.pi) / gap, 0.0, 1.0)
    first = np.empty((splines[0].c.shape[2], off_axis.size), dtype=np.complex128)
    second = np.empty_like(first)
    for which, spline in enumerate(splines):
        for place, values in ((start % turn.size, first), (end, second)):
            own = place == which
            if own.any():
                values[:, own] = spline(np.minimum(off_axis[own], spline.x[-1]))
    near, beyond = np.cos(0.5 * np.pi * part) ** 2, np.sin(0.5 * np.pi * part) ** 2
    size = np.sqrt(near * np.abs(first) ** 2 + beyond * np.abs(second) ** 2)
    return np.asarray(size * np.exp(1j * np.angle(near * first + beyond * second)))


def _delay(frequency: FloatArray, pressure: ComplexArray) -> float:
    """s, the delay without which neighbouring frequencies are most alike in phase."""
    if frequency.size < 2:
        return 0.0
    unit = pressure / np.abs(pressure)
    step, alike = np.diff(frequency), unit[1:] * np.conj(unit[:-1])
    fine = 0.0125 / (frequency[-1] - frequency[0]) * frequency.size**0.5
    delays = fine * np.arange(-np.ceil(LONGEST_DELAY / fine), np.ceil(LONGEST_DELAY / fine) + 1.0)
    found = (np.exp(2j * np.pi * np.outer(delays, step)) @ alike).real
    # Even steps cannot tell delays apart that differ by one over the step: the shortest of equals.
    return float(delays[np.argmax(found - 1e-2 * step.size * np.abs(delays) / LONGEST_DELAY)])


def over(known: FloatArray, values: Values, frequency: FloatArray) -> Values:
    """Values (K, ...) straight over log frequency, held beyond the ends; real or complex."""
    if known.size == 1:
        return np.asarray(np.broadcast_to(values[:1], (frequency.size, *values.shape[1:])))
    x = np.clip(np.log(frequency), np.log(known[0]), np.log(known[-1]))
    below = np.clip(np.searchsorted(np.log(known), x, side="right") - 1, 0, known.size - 2)
    part = (x - np.log(known[below])) / np.log(known[below + 1] / known[below])
    part = part.reshape(-1, *([1] * (values.ndim - 1)))
    return np.asarray((1.0 - part) * values[below] + part * values[below + 1])
