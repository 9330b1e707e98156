"""How loud a way can play: by a level that is given, by its power, and by how far its cone moves.

All is of steady tones, in level on axis at 1 m, and of one driver; equal drivers that share a signal and stand close
together add up as pressures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenflare.units import REFERENCE_PRESSURE, ComplexArray, FloatArray, amplitude_db, power_db

Cause = Literal["level", "power", "excursion"]
VOLTAGE = 2.83
"""V rms at which sensitivity is stated: 1 W in 8 ohm. Common practice, no source."""


@dataclass(frozen=True)
class Ratings:
    """What is known of one driver; None for what is not.

    sensitivity : dB SPL on axis at 1 m for `VOLTAGE`, in its passband; of a piston on an infinite baffle.
    power       : W rms at its terminals, with `impedance` (ohm, nominal).
    excursion   : m, peak, one way.
    level       : dB SPL on axis at 1 m, at any frequency.
    """

    sensitivity: float | None = None
    power: float | None = None
    impedance: float | None = None
    excursion: float | None = None
    level: float | None = None


def displacement_pressure(frequency: FloatArray, volume: float, *, density: float) -> FloatArray:
    """(F,) Pa rms at 1 m of a small source on an infinite baffle that displaces `volume` (m3, peak) to either side.

    rho U' / (2 pi r), where U' = w^2 V / sqrt 2 is the volume acceleration. Source: Beranek and Mellow, Acoustics
    (2012), chapter 4, simple source; a piston of any size has the same far ahead on axis (Kinsler et al., section
    7.4).
    """
    acceleration = (2.0 * np.pi * frequency) ** 2 * volume / np.sqrt(2.0)
    return np.asarray(density * acceleration / (2.0 * np.pi))


def velocity_limit(frequency: FloatArray, excursion: float) -> FloatArray:
    """(F,) m/s rms of a surface that moves to `excursion` (m, peak)."""
    return np.asarray(2.0 * np.pi * frequency * excursion / np.sqrt(2.0))


@dataclass(frozen=True)
class Emission:
    """What a driver gives without any filter, at F frequencies.

    frequency : (F,) Hz.
    level     : (F,) dB on axis, re what it has at `VOLTAGE` and its sensitivity.
    pressure  : (F,) Pa rms at 1 m on axis for an excursion of 1 m peak, one way; None where that is not known.
    """

    frequency: FloatArray
    level: FloatArray
    pressure: FloatArray | None


def of_piston(
    frequency: FloatArray,
    on_axis: ComplexArray,
    *,
    radius: float,
    density: float,
    fall_off: ComplexArray,
    cone_share: FloatArray,
) -> Emission:
    """A piston of `radius` (m) whose cabinet gives (F,) `on_axis` re an infinite baffle, in a box that falls off.

    fall_off   : (F,) of the box, re far above its corner.
    cone_share : (F,) of the volume that radiates, what the cone displaces.
    """
    baffled = displacement_pressure(frequency, np.pi * radius**2, density=density)
    size = np.abs(on_axis)
    return Emission(frequency, amplitude_db(size * np.abs(fall_off)), size * baffled / cone_share)


def of_exit(frequency: FloatArray, on_axis: ComplexArray) -> Emission:
    """A waveguide solved for 1 m/s rms over its exit, (F,) Pa `on_axis` at 1 m; its level for a voltage is taken as
    even: what the driver makes of one is not known.
    """
    return Emission(frequency, np.zeros(frequency.size), np.abs(on_axis) * velocity_limit(frequency, 1.0))


def of_response(frequency: FloatArray, on_axis: ComplexArray, *, passband: tuple[float, float]) -> Emission:
    """A driver by its response (F,) on axis, whose mean level over the passband (Hz) is its sensitivity's."""
    level = amplitude_db(on_axis)
    inside = (frequency >= passband[0]) & (frequency <= passband[1])
    return Emission(frequency, level - np.mean(level[inside if inside.any() else slice(None)]), None)


def limits(ratings: Ratings, source: Emission, *, drivers: int = 1) -> dict[Cause, FloatArray]:
    """By cause, the greatest level (F,) dB SPL on axis at 1 m of a way of so many drivers, each at its own limit.

    ValueError where an excursion is given and what it gives is not known.
    """
    found: dict[Cause, FloatArray] = {}
    together = float(amplitude_db(drivers))
    if ratings.level is not None:
        found["level"] = np.full(source.frequency.size, ratings.level + together)
    if ratings.power is not None and ratings.sensitivity is not None and ratings.impedance is not None:
        over = float(power_db(ratings.power * ratings.impedance / VOLTAGE**2))
        found["power"] = ratings.sensitivity + over + source.level + together
    if ratings.excursion is not None:
        if source.pressure is None:
            raise ValueError("what an excursion gives is not known of a response that is given by its level alone")
        found["excursion"] = amplitude_db(source.pressure * ratings.excursion / REFERENCE_PRESSURE) + together
    return found
