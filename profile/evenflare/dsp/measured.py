"""A driver whose response was measured, with the pattern of a modelled one wherever no angle was."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evenflare.directivity.types import unit_vectors
from evenflare.dsp.bode import bode_phase
from evenflare.dsp.drivers import IN_FRONT, Radiator, over
from evenflare.dsp.fir import excess_phase
from evenflare.dsp.measured_table import MeasuredTable
from evenflare.dsp.placing import angles_of
from evenflare.units import ComplexArray, FloatArray, read_only

FOLLOWS = 2.0
"""Wavenumber times radius up to which the pressure close to a piston's middle follows its volume velocity, within 1.5
dB. Source: D. B. Keele, J. AES 22 (1974) 154 (from memory), who goes to 1."""


@dataclass(frozen=True)
class MeasuredPattern:
    """What a driver sends off its axis.

    frequency : (G,) Hz, rising.
    off_axis  : (A,) rad from its own axis, rising from 0.
    relative  : (G, A) complex, pressure re that on its axis.
    """

    frequency: FloatArray
    off_axis: FloatArray
    relative: ComplexArray

    def __post_init__(self) -> None:
        for name in ("frequency", "off_axis"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "relative", read_only(self.relative, np.complex128))


@dataclass(frozen=True)
class MeasuredResponse:
    """What is known of a driver by measurement, as it stands in its box.

    frequency   : (F,) Hz, rising.
    on_axis     : (F,) complex, of any unit, as a far pressure: travel to the microphone taken out.
    phase_known : False where only levels were read: then the phase is the least that goes with them.
    pattern     : None where nothing was measured off axis.
    told        : what there is to say of it, in words.
    delay       : s, that is taken out of its phase already, beside that travel.
    """

    frequency: FloatArray
    on_axis: ComplexArray
    phase_known: bool
    pattern: MeasuredPattern | None
    told: tuple[str, ...]
    delay: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", read_only(self.frequency))
        object.__setattr__(self, "on_axis", read_only(self.on_axis, np.complex128))


@dataclass(frozen=True)
class Nearby:
    """How a reading close to a driver's middle is taken far away.

    to_far         : frequency (F,) Hz -> far pressure over near, complex, of a flat piston with the step of its box.
    highest        : Hz, up to which the near pressure follows the driver.
    speed_of_sound : m/s.
    """

    to_far: Callable[[FloatArray], ComplexArray]
    highest: float
    speed_of_sound: float


ReadMeasured = Callable[[Path, str, MeasuredTable, Nearby], MeasuredResponse]
"""(loudspeaker's file, way, its table, what takes a near reading far away) -> what the files hold."""


def nearby(step: Callable[[FloatArray], ComplexArray], *, radius: float, distance: float, speed: float) -> Nearby:
    """A flat piston's, of `radius` (m), the microphone `distance` (m) from its middle.

    step : frequency (F,) Hz -> what the box makes of the far pressure on axis, re an infinite baffle.
    Source: Kinsler et al., Fundamentals of Acoustics, section 7.4: two waves, from the middle and from the rim.
    """
    rim = float(np.hypot(distance, radius))

    def to_far(frequency: FloatArray) -> ComplexArray:
        k = 2.0 * np.pi * frequency / speed
        near = np.exp(-1j * k * distance) - np.exp(-1j * k * rim)
        return np.asarray(step(frequency) * 0.5j * k * radius**2 / near)

    return Nearby(to_far, FOLLOWS * speed / (2.0 * np.pi * radius), speed)


def upon_arrival(found: MeasuredResponse) -> tuple[MeasuredResponse, float]:
    """The same without the delay that it has beyond its minimum phase, and all that is taken out, in s.

    So its acoustic centre is the driver's point of reference; its polarity stays. Where no phase is known it is given
    the least, and the delay is 0.
    """
    size = np.abs(found.on_axis)
    least = np.exp(1j * bode_phase(found.frequency, size))
    if not found.phase_known:
        return replace(found, on_axis=size * least), 0.0
    _, delay = excess_phase(found.frequency, found.on_axis, least, bridged=np.zeros(size.shape))
    return replace(found, on_axis=found.on_axis * np.exp(2j * np.pi * found.frequency * delay)), found.delay + delay


def measured(model: Radiator, found: MeasuredResponse, *, ahead: FloatArray) -> Radiator:
    """A driver with a measured response on its axis, and in other directions the model's pattern about that.

    ahead : (3,) its own axis.
    Where angles were measured, what they differ by from the model re on axis is added, straight over the angle, alike
    all round; beyond the last it fades until straight behind (in a baffle: beside). So it is the measured pressure at
    every measured angle, and the model's pattern where none is near.
    Level and phase on axis are straight over log frequency; known where both are.
    """
    level, phase = np.log(np.abs(found.on_axis)), np.unwrap(np.angle(found.on_axis))

    def on_axis(frequency: FloatArray) -> ComplexArray:
        return np.asarray(
            np.exp(over(found.frequency, level, frequency) + 1j * over(found.frequency, phase, frequency))
        )

    def gain(frequency: FloatArray) -> ComplexArray:
        return np.asarray(on_axis(frequency) / model.far(frequency, *angles_of(ahead[:, None]))[:, 0])

    added = None if found.pattern is None else _added(model, found.pattern, ahead)

    def far(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        sent = gain(frequency)[:, None] * model.far(frequency, off_axis, azimuth)
        if added is not None:
            sent = sent + on_axis(frequency)[:, None] * added(frequency, unit_vectors(off_axis, azimuth))
        return np.asarray(sent)

    def near(frequency: FloatArray, place: FloatArray) -> ComplexArray:
        assert model.near is not None
        sent = gain(frequency)[:, None] * model.near(frequency, place)
        if added is not None:
            length = np.linalg.norm(place, axis=1)
            travel = np.exp(-2j * np.pi * np.outer(frequency, length) / model.speed_of_sound) / length
            sent = sent + on_axis(frequency)[:, None] * added(frequency, place / length[:, None]) * travel
        return np.asarray(sent)

    band = max(model.band[0], float(found.frequency[0])), min(model.band[1], float(found.frequency[-1]))
    return replace(model, far=far, near=None if model.near is None else near, band=band)


def _added(
    model: Radiator, pattern: MeasuredPattern, ahead: FloatArray
) -> Callable[[FloatArray, FloatArray], ComplexArray]:
    """Of frequencies (F,) Hz and directions (D, 3): (F, D) measured less modelled pressure, re that on axis."""
    aside = np.cross([0.0, 1.0, 0.0] if abs(ahead[1]) < 0.99 else [1.0, 0.0, 0.0], ahead)
    aside = aside / np.linalg.norm(aside)
    angle = pattern.off_axis
    known = model.far(pattern.frequency, *angles_of(np.outer(ahead, np.cos(angle)) + np.outer(aside, np.sin(angle))))
    apart = pattern.relative - known / known[:, :1]
    last, end = float(angle[-1]), 0.5 * np.pi if model.half_space else np.pi

    def added(frequency: FloatArray, unit: FloatArray) -> ComplexArray:
        seen = np.arccos(np.clip(unit @ ahead, -1.0, 1.0))
        place = np.clip(np.searchsorted(angle, seen, side="right") - 1, 0, max(angle.size - 2, 0))
        after = np.minimum(place + 1, angle.size - 1)
        part = np.clip((seen - angle[place]) / np.maximum(angle[after] - angle[place], 1e-9), 0.0, 1.0)
        fading = np.cos(0.5 * np.pi * np.clip((seen - last) / max(end - last, 1e-9), 0.0, 1.0)) ** 2
        if model.half_space:
            fading = fading * (seen <= IN_FRONT)
        rows = over(pattern.frequency, apart, frequency)
        return np.asarray(((1.0 - part) * rows[:, place] + part * rows[:, after]) * fading)

    return added
