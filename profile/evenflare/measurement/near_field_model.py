"""How the pressure far away follows from that close to the mouth: what a model of the source says of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenflare.air import Air
from evenflare.closed_forms import piston_axis_pressure, piston_pattern
from evenflare.directivity.types import Observation
from evenflare.units import ComplexArray, FloatArray, amplitude_db, read_only

UPPER = 1.0
"""Wavenumber times radius up to which pressure at the mouth's centre follows the volume velocity, whatever moves:
Keele's limit. Source: D. B. Keele, J. AES 22 (1974) 154 (from memory)."""
BEYOND = 2.0
"""That at which it is not followed any further: a flat piston's centre has lost 1.5 dB there."""


@dataclass(frozen=True)
class FarOverNear:
    """A source's far pressure over its near one.

    ratio    : (F,) complex, pressure on axis at the rig's distance over that close to the mouth; travel in its phase.
    relative : (F, P, A) complex, pressure in the rig's directions over that on axis.
    error    : (F,) dB, standard uncertainty of the ratio, of the calculation.
    course   : (F,) dB, by how much another motion of the source might bend the ratio, as a half width; what is alike at
               all frequencies goes into the scale.
    reach    : m, half the mouth's largest width.
    told_by  : in words.
    """

    ratio: ComplexArray
    relative: ComplexArray
    error: FloatArray
    course: FloatArray
    reach: float
    told_by: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "ratio", read_only(self.ratio, np.complex128))
        object.__setattr__(self, "relative", read_only(self.relative, np.complex128))
        for name in ("error", "course"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


NearModel = Callable[[Observation, float, Air], FarOverNear]
"""(the rig's observation at the frequencies wanted, m from the mouth plane, air)."""


def baffled_piston(radius: float, told_by: str = "a flat piston in a baffle") -> NearModel:
    """A flat piston of `radius`, m, in an infinite baffle, all in closed form.

    On axis exact at any distance (Kinsler et al., section 7.4); where it is small, Keele's near field: far over near
    a^2 / (2 r) over the height of the microphone's place.
    """

    def model(seen: Observation, distance: float, air: Air) -> FarOverNear:
        far, near = (
            piston_axis_pressure(seen.frequency, at, radius=radius, velocity=1.0, air=air)
            for at in (seen.distance, distance)
        )
        size = 2.0 * np.pi * seen.frequency * radius / air.speed_of_sound
        angle = np.abs(seen.off_axis)
        pattern = np.where(angle <= 0.5 * np.pi + 1e-9, piston_pattern(size, np.minimum(angle, 0.5 * np.pi)), 0.0)
        relative = np.repeat(pattern[:, None, :], seen.plane.size, axis=1)
        # Nothing says that it moves evenly: what an even motion bends a small source's ratio by.
        course = amplitude_db(np.sinc(0.5 * size / np.pi))
        return FarOverNear(far / near, relative, np.zeros(size.size), course, radius, told_by)

    return model


def place_course(frequency: FloatArray, *, reach: float, distance: float, position: float, air: Air) -> FloatArray:
    """(F,) dB: by how much the near pressure changes with the microphone's place, by its standard uncertainty.

    Of a flat piston's centre. What is alike at all frequencies goes into the scale.
    """

    def level(at: float) -> FloatArray:
        return amplitude_db(piston_axis_pressure(frequency, at, radius=reach, velocity=1.0, air=air))

    return np.asarray(0.5 * (level(distance + position) - level(max(distance - position, 1e-4))))
