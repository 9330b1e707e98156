"""Two directivities on the frequencies and directions that they have in common, or why they cannot be compared."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from evenflare.directivity.types import Directivity, Observation, for_symmetry
from evenflare.units import DEGREE, MILLIMETRE, ComplexArray, FloatArray, IntArray

SAME_ANGLE = 0.01 * DEGREE
"""rad, below which two directions are one: tables hold angles to 0.001 degrees, file names often to 0.1."""
SAME_FREQUENCY = (1e-3, 1e-6)
"""Hz, and of the frequency, below which two frequencies are one: tables hold them to 1e-4 Hz."""
SAME_PLACE = 0.1 * MILLIMETRE
"""m, of the reference point: a hundredth of a wavelength at 20 kHz is 0.17 mm."""
SAME_DISTANCE = 1.0 * MILLIMETRE
SAME_SPEED, SAME_DENSITY = 1e-4, 1e-3
"""Of the speed of sound, about 0.06 K; of the density, 0.004 dB of power."""
LEAST_ANGLES = 2


class Pair(NamedTuple):
    """Both on one observation, and how much of the first has no counterpart.

    moved : m, how far the second's reference point was moved along the axis to be the first's.
    """

    first: Directivity
    second: Directivity
    frequencies_left_out: int
    directions_left_out: int
    moved: float


def common(first: Directivity, second: Directivity, *, same_air: bool = True) -> Pair:
    """Both at the frequencies and in the directions that they share; the symmetry is the first's, or the second's where
    the first is round and the second is not.

    A direction that the second lacks is taken from its symmetry (round, two planes, left and right). What both are
    given is the grid of planes and angles of the first whose counterparts are all there. In half space if either is.
    Powers that a solver knows are left out, so that everything that is read off comes from the same quadrature.
    In the far field the second is brought to the first's reference point, see `counted_from`.
    same_air : whether unequal air is an error.
    Errors   : ValueError, in words without a remedy, if they were seen from different places, in different air, not
               on axis, or share nothing.
    """
    moved = 0.0
    if first.observation.far_field and second.observation.far_field:
        moved = first.observation.reference_z - second.observation.reference_z
        second = counted_from(second, first.observation.reference_z)
    unlike = differences(first, second)
    if not same_air:
        unlike.pop("air", None)
    if unlike:
        raise ValueError("; ".join(unlike.values()))
    first = _all_round(first, second.observation)
    rows, others = _frequencies(first.observation.frequency, second.observation.frequency)
    if rows.size == 0:
        raise ValueError("no frequency in common")
    planes, angles, found = _directions(first.observation, second.observation)
    observation = replace(
        first.observation,
        frequency=first.observation.frequency[rows],
        plane=first.observation.plane[planes],
        off_axis=first.observation.off_axis[angles],
    )
    half_space = first.half_space or second.half_space
    own = first.pressure[np.ix_(rows, planes, angles)]
    other = second.pressure[others][:, found[..., 0], found[..., 1]]
    total = first.observation.plane.size * first.observation.off_axis.size
    return Pair(
        _bare(first, observation, own, rows=rows, half_space=half_space),
        _bare(second, observation, other, rows=others, half_space=half_space),
        int(first.observation.frequency.size - rows.size),
        int(total - planes.size * angles.size),
        moved if abs(moved) > SAME_PLACE else 0.0,
    )


def counted_from(directivity: Directivity, reference_z: float) -> Directivity:
    """A far field counted from another point of the axis, m from the throat plane: exact, as the way to each direction
    only turns its phase, by k (own point - new point) cos(angle off axis).

    ValueError at a finite distance, where the directions would be others.
    """
    observation = directivity.observation
    if not observation.far_field:
        raise ValueError("at a finite distance another reference point sees other directions")
    wavenumber = 2.0 * np.pi * observation.frequency / directivity.speed_of_sound
    way = (observation.reference_z - reference_z) * np.cos(observation.off_axis)
    return replace(
        directivity,
        observation=replace(observation, reference_z=reference_z),
        pressure=directivity.pressure * np.exp(1j * wavenumber[:, None] * way)[:, None, :],
        resolved=None,
    )


def _all_round(directivity: Directivity, other: Observation) -> Directivity:
    """A round sound seen in one plane, in every plane and on both sides that another, which is not round, has."""
    own = directivity.observation
    if own.symmetry != "round" or own.plane.size > 1 or other.symmetry == "round":
        return directivity
    seen = replace(for_symmetry(own, other.symmetry), plane=other.plane)
    # Sides are added only where there was one.
    wanted = seen.off_axis if np.any(own.off_axis < -SAME_ANGLE) else np.abs(seen.off_axis)
    at = np.abs(own.off_axis - wanted[:, None]).argmin(axis=1)
    pressure = np.repeat(directivity.pressure[:, :, at], other.plane.size, axis=1)
    return replace(directivity, observation=seen, pressure=pressure, resolved=None)


def differences(first: Directivity, second: Directivity) -> dict[str, str]:
    """What makes two directivities incomparable, in words by what it is; empty if nothing does."""
    one, other = first.observation, second.observation
    found: dict[str, str] = {}
    if one.far_field != other.far_field or (not one.far_field and abs(one.distance - other.distance) > SAME_DISTANCE):
        found["distance"] = f"unequal distance, {_seen(one)} and {_seen(other)}"
    if abs(one.reference_z - other.reference_z) > SAME_PLACE:
        places = [f"{each.reference_z / MILLIMETRE:g}" for each in (one, other)]
        found["reference point"] = (
            f"unequal reference point, {places[0]} and {places[1]} mm from the throat plane, which at a finite distance"
            " sees other directions"
        )
    speeds, densities = ([getattr(d, key) for d in (first, second)] for key in ("speed_of_sound", "density"))
    if abs(speeds[0] / speeds[1] - 1.0) > SAME_SPEED or abs(densities[0] / densities[1] - 1.0) > SAME_DENSITY:
        air = [f"{c:.2f} m/s with {rho:.4f} kg/m³" for c, rho in zip(speeds, densities, strict=True)]
        found["air"] = f"unequal air, {air[0]} and {air[1]}"
    return found


def _seen(observation: Observation) -> str:
    return "the far field" if observation.far_field else f"{observation.distance:g} m"


def _bare(
    directivity: Directivity, observation: Observation, pressure: ComplexArray, *, rows: IntArray, half_space: bool
) -> Directivity:
    """The directivity there, without what was known better than from the pressure."""
    return Directivity(
        observation=observation,
        pressure=pressure,
        valid=directivity.valid[rows],
        density=directivity.density,
        speed_of_sound=directivity.speed_of_sound,
        half_space=half_space,
        provenance=directivity.provenance,
    )


def _frequencies(first: FloatArray, second: FloatArray) -> tuple[IntArray, IntArray]:
    """Indices into either of the frequencies that both hold."""
    at = np.clip(np.searchsorted(second, first), 1, second.size - 1) if second.size > 1 else np.zeros(first.size, int)
    before = np.maximum(at - 1, 0)
    nearest = np.where(np.abs(second[before] - first) < np.abs(second[at] - first), before, at)
    absolute, relative = SAME_FREQUENCY
    same = np.flatnonzero(np.abs(second[nearest] - first) <= absolute + relative * first)
    return same, nearest[same]


def _directions(first: Observation, second: Observation) -> tuple[IntArray, IntArray, IntArray]:
    """Planes and angles of the first that both hold, and for each (P, A) plane and angle of the second (P, A, 2)."""
    orbits = _half_orbits(second)
    found = np.full((*first.shape[1:], 2), -1)
    for p, azimuth in enumerate(first.plane):
        for a, angle in enumerate(first.off_axis):
            turn = azimuth if angle > -SAME_ANGLE else azimuth + np.pi
            found[p, a] = _counterpart(orbits, second.off_axis, turn, abs(angle))
    there = found[..., 0] >= 0
    planes = np.flatnonzero(there.sum(axis=1) >= LEAST_ANGLES)
    if planes.size == 0:
        raise ValueError("no plane with two angles in common")
    angles = np.flatnonzero(there[planes].all(axis=0))
    if angles.size < LEAST_ANGLES:
        raise ValueError("fewer than two angles in common")
    if not np.any(np.abs(first.off_axis[angles]) < SAME_ANGLE):
        raise ValueError("no reading on axis (angle 0) in common")
    return planes, angles, found[np.ix_(planes, angles)]


Orbit = tuple[float | None, int, int]
"""Azimuth in rad, None for every one; the plane observed, and the sign of its angles."""


def _half_orbits(observation: Observation) -> list[Orbit]:
    """The half-orbits that were observed, then those that the symmetry makes equal to them."""
    angle = observation.off_axis
    signs = [sign for sign in (1, -1) if np.any(sign * angle > SAME_ANGLE)] or [1]
    own: list[Orbit] = [
        (float(azimuth) + (0.0 if sign > 0 else np.pi), p, sign)
        for p, azimuth in enumerate(observation.plane)
        for sign in signs
    ]
    if observation.symmetry == "round":
        return [*own, (None, 0, signs[0])]
    images = [(turn, p, sign) for turn, p, sign in own if turn is not None]
    if observation.symmetry in ("left_right", "two_planes"):
        images += [(np.pi - turn, p, sign) for turn, p, sign in images]
    if observation.symmetry == "two_planes":
        images += [(-turn, p, sign) for turn, p, sign in images]
    if len(signs) == 1:
        images += [(turn + np.pi, p, sign) for turn, p, sign in images]
    return [*own, *images]


def _counterpart(orbits: list[Orbit], off_axis: FloatArray, turn: float, angle: float) -> tuple[int, int]:
    """Plane and angle in the second's grid of the direction at azimuth `turn` and `angle` >= 0; -1 twice if none."""
    pole = angle < SAME_ANGLE or angle > np.pi - SAME_ANGLE
    for azimuth, plane, sign in orbits:
        apart = 0.0 if azimuth is None else abs((azimuth - turn + np.pi) % (2.0 * np.pi) - np.pi)
        if apart > SAME_ANGLE:
            continue
        away = np.abs((np.abs(off_axis) if pole else sign * off_axis) - angle)
        nearest = int(away.argmin())
        if away[nearest] <= SAME_ANGLE:
            return plane, nearest
    return -1, -1
