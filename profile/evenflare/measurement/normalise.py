"""What a response owes to the microphone and to the air: divided out, so that the source is left."""

from __future__ import annotations

import numpy as np

from evenflare.air import absorption
from evenflare.measurement.readings import Response, Rig
from evenflare.units import BoolArray, ComplexArray, FloatArray, amplitude_db


def at_frequencies(response: Response, frequency: FloatArray) -> ComplexArray:
    """A response (F,) at other frequencies: level in dB and phase straight over log frequency, its ends held."""
    own, wanted = np.log(response.frequency), np.log(frequency)
    level = amplitude_db(np.maximum(np.abs(response.pressure), np.finfo(float).tiny))
    found = 10.0 ** (0.05 * np.interp(wanted, own, level))
    if not response.phase_known:
        return np.asarray(found, dtype=np.complex128)
    return np.asarray(found * np.exp(1j * np.interp(wanted, own, np.unwrap(np.angle(response.pressure)))))


def within(response: Response | None, frequency: FloatArray) -> BoolArray:
    """Where a response covers the frequencies (F,), to a rounding's width; everywhere without one."""
    if response is None:
        return np.ones(frequency.shape, dtype=np.bool_)
    low, high = response.frequency[[0, -1]]
    return np.asarray((frequency >= low * (1.0 - 1e-9)) & (frequency <= high * (1.0 + 1e-9)))


def air_gain(frequency: FloatArray, rig: Rig) -> FloatArray:
    """Factor (F,) by which the air between has weakened sound, to be multiplied back. Source: ISO 9613-1:1993."""
    if not rig.lossy:
        return np.ones(frequency.shape)
    lost = absorption(frequency, rig.temperature, humidity=rig.humidity, pressure=rig.pressure) * rig.distance
    return np.asarray(10.0 ** (0.05 * lost))


def source_only(frequency: FloatArray, rig: Rig, *, microphone: Response | None) -> ComplexArray:
    """Factor (F,) that takes a recording's response to the pressure without microphone and without lossy air."""
    gain = air_gain(frequency, rig).astype(np.complex128)
    return gain if microphone is None else np.asarray(gain / at_frequencies(microphone, frequency))
