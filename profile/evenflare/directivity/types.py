"""What a solver predicts and a rig measures: complex pressure over frequency and direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal

import numpy as np

from evenflare.units import BoolArray, ComplexArray, FloatArray, IntArray, read_only

Symmetry = Literal["round", "two_planes", "left_right", "none"]
SAME_DIRECTION = 1e-6
"""rad, below which two directions are one."""


@dataclass(frozen=True)
class Observation:
    """Where and at which frequencies sound is observed. Measured and predicted share it.

    frequency   : (F,) Hz, > 0, strictly rising.
    off_axis    : (A,) rad, strictly rising, from 0 (on axis) to pi; negative values where the two sides differ.
    plane       : (P,) rad, azimuth of each observed plane: 0 horizontal, pi/2 vertical.
    distance    : m from the reference point, or inf for the far field.
    reference_z : m, the point of the axis from which angles, distance and phase count; the throat plane is 0.
    symmetry    : what a plane or side that is missing is taken to be. "round": every plane equals the one given.
    Errors      : ValueError if an axis is empty, not rising or out of range.
    """

    frequency: FloatArray
    off_axis: FloatArray
    plane: FloatArray = field(default_factory=lambda: np.zeros(1))
    distance: float = float("inf")
    reference_z: float = 0.0
    symmetry: Symmetry = "round"

    def __post_init__(self) -> None:
        for name, low, high in (
            ("frequency", np.nextafter(0, 1), np.inf),
            ("off_axis", -np.pi, np.pi),
            ("plane", -np.pi, np.pi),
        ):
            axis = read_only(np.atleast_1d(getattr(self, name)))
            if axis.ndim != 1 or axis.size == 0 or np.any(np.diff(axis) <= 0):
                raise ValueError(f"{name} must be one strictly rising row of at least one value")
            if not (np.all(axis >= low - 1e-9) and np.all(axis <= high + 1e-9)):
                raise ValueError(f"{name} spans {axis[0]:g} to {axis[-1]:g}: must be {low:g} to {high:g}")
            object.__setattr__(self, name, axis)
        if not self.distance > 0:
            raise ValueError(f"distance = {self.distance:g} m: must be above 0, or infinite for the far field")

    @property
    def shape(self) -> tuple[int, int, int]:
        """(F, P, A): frequencies, planes, angles."""
        return self.frequency.size, self.plane.size, self.off_axis.size

    @property
    def far_field(self) -> bool:
        """True where the distance is infinite."""
        return bool(np.isinf(self.distance))


def unit_vectors(off_axis: FloatArray, plane: FloatArray) -> FloatArray:
    """(..., 3) x, y and z of directions at angles off the axis in planes, rad, arrays that fit each other."""
    off_axis, plane = np.broadcast_arrays(off_axis, plane)
    return np.stack([np.sin(off_axis) * np.cos(plane), np.sin(off_axis) * np.sin(plane), np.cos(off_axis)], axis=-1)


def both_sides(off_axis: FloatArray) -> FloatArray:
    """Angles (A,) from 0 to pi, rad, and those across the axis: rising, -pi left out, which is pi."""
    across = off_axis[(off_axis > SAME_DIRECTION) & (off_axis < np.pi - SAME_DIRECTION)]
    return np.concatenate([-across[::-1], off_axis])


def for_symmetry(observation: Observation, symmetry: Symmetry) -> Observation:
    """The same of a sound of that symmetry, from the sides and planes as well that the symmetry does not give.

    Where up and down differ, both sides of the axis; where the planes do and one only was there, 0 and 90 degrees.
    """
    off_axis, plane = observation.off_axis, observation.plane
    if symmetry in ("left_right", "none") and not np.any(off_axis < -SAME_DIRECTION):
        off_axis = both_sides(off_axis)
    if symmetry != "round" and plane.size == 1:
        lacking = [at for at in (0.0, 0.5 * np.pi) if abs(plane[0] - at) > SAME_DIRECTION]
        plane = np.sort(np.append(plane, lacking))
    return replace(observation, off_axis=off_axis, plane=plane, symmetry=symmetry)


@dataclass(frozen=True)
class Directivity:
    """Complex pressure over frequency, plane and off-axis angle, with what is known of its making.

    observation      : axes, distance, reference point.
    pressure         : (F, P, A) complex rms Pa at `distance`; in the far field Pa m, the limit of p r exp(j k r).
                       Predicted: for what the driver's source gives, 1 m/s rms times the exit's area unless it says
                       otherwise. Phasors are exp(+j w t).
    valid            : (F,) True where the result can be trusted.
    density          : kg/m3 and
    speed_of_sound   : m/s of the air.
    half_space       : True in an infinite baffle: nothing is radiated beyond 90 degrees (pressure is 0 there).
    sound_power      : (F,) W where known better than from the pressure (a solver's own sum), or None.
    throat_impedance : (F,) mean pressure over the exit / (density * speed_of_sound * velocity), complex, or None.
    error_estimate   : (F,) dB, the solver's estimate of the error of the directivity index, or None.
    polar_error      : (F,) dB, its estimate of the largest error re on axis in any observed direction whose level is
                       above -20 dB re on axis, or None.
    impedance_error  : (F,) its estimate of the error of the throat impedance, as a share of its magnitude, or None.
    far_field_index  : (F,) dB, the directivity index in the far field where a solver knows it, or None.
    resolved         : the same sound in these and more directions, as close as its pattern needs, or None where these
                       are all there are. What is read off between angles is read off it.
    provenance       : solver, settings, sizes, version: plain values that JSON can hold.
    Errors           : ValueError if the shapes disagree, or `resolved` is another sound.
    """

    observation: Observation
    pressure: ComplexArray
    valid: BoolArray
    density: float
    speed_of_sound: float
    half_space: bool = False
    sound_power: FloatArray | None = None
    throat_impedance: ComplexArray | None = None
    error_estimate: FloatArray | None = None
    polar_error: FloatArray | None = None
    impedance_error: FloatArray | None = None
    far_field_index: FloatArray | None = None
    resolved: Directivity | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shape = self.observation.shape
        expected: dict[str, tuple[tuple[int, ...], Any]] = {
            "pressure": (shape, np.complex128),
            "valid": (shape[:1], np.bool_),
            "sound_power": (shape[:1], np.float64),
            "throat_impedance": (shape[:1], np.complex128),
            "error_estimate": (shape[:1], np.float64),
            "far_field_index": (shape[:1], np.float64),
            "polar_error": (shape[:1], np.float64),
            "impedance_error": (shape[:1], np.float64),
        }
        for name, (wanted, dtype) in expected.items():
            value = getattr(self, name)
            if value is None:
                continue
            array = read_only(value, dtype)
            if array.shape != wanted:
                raise ValueError(f"{name} has shape {array.shape}: the observation asks for {wanted}")
            object.__setattr__(self, name, array)
        if self.resolved is not None and not np.array_equal(
            _seen(self.resolved, self.observation), self.pressure, equal_nan=True
        ):
            raise ValueError("resolved holds another sound: leave it out where the pressure was changed")

    @property
    def wavenumber(self) -> FloatArray:
        """(F,) rad/m."""
        return np.asarray(2.0 * np.pi * self.observation.frequency / self.speed_of_sound)

    @property
    def behind(self) -> BoolArray:
        """(A,) True for angles behind an infinite baffle, where nothing arrives.

        Beyond 90 degrees, and short of it where the reference point lies behind the mouth and the distance is finite.
        """
        beyond = np.abs(self.observation.off_axis) > 0.5 * np.pi + 1e-9
        return np.asarray(self.half_space & (beyond | np.all(self.pressure == 0.0, axis=(0, 1))))

    @property
    def on_axis(self) -> ComplexArray:
        """(F,) the pressure at off-axis 0 in the first plane. ValueError if angle 0 was not observed."""
        at = np.flatnonzero(np.abs(self.observation.off_axis) < 1e-9)
        if at.size == 0:
            raise ValueError("no observation at off-axis angle 0: add it to the angles")
        return np.asarray(self.pressure[:, 0, at[0]])


def in_directions(directivity: Directivity, observation: Observation) -> Directivity:
    """A directivity as seen from those of its directions that `observation` has. ValueError if one is not there."""
    close = directivity.resolved
    if close is not None:
        planes = replace(close.observation, plane=observation.plane)
        close = in_directions(close, planes)
    pressure = _seen(directivity, observation)
    return replace(directivity, observation=observation, pressure=pressure, resolved=close)


def at_frequencies(directivity: Directivity, kept: BoolArray) -> Directivity:
    """A directivity at those of its frequencies that are kept (F,)."""
    part: dict[str, Any] = {
        "observation": replace(directivity.observation, frequency=directivity.observation.frequency[kept]),
        "resolved": None if directivity.resolved is None else at_frequencies(directivity.resolved, kept),
    }
    for each in fields(directivity):
        value = getattr(directivity, each.name)
        if isinstance(value, np.ndarray):
            part[each.name] = value[kept]
    return replace(directivity, **part)


def _seen(directivity: Directivity, observation: Observation) -> ComplexArray:
    """The pressure in the directions of an observation; ValueError if one is not there."""
    whole = directivity.observation
    planes, angles = _places(whole.plane, observation.plane), _places(whole.off_axis, observation.off_axis)
    return np.asarray(directivity.pressure[:, planes][:, :, angles])


def _places(values: FloatArray, wanted: FloatArray) -> IntArray:
    after = np.minimum(np.searchsorted(values, wanted), values.size - 1)
    before = np.maximum(after - 1, 0)
    nearest = np.where(np.abs(values[before] - wanted) < np.abs(values[after] - wanted), before, after)
    if np.abs(values[nearest] - wanted).max() > SAME_DIRECTION:
        raise ValueError("a direction was not observed: solve it again")
    return np.asarray(nearest)
