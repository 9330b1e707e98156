"""What a microphone close to the mouth heard, over frequency, and from where it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.files import InputError
from evenflare.measurement.deconvolve import deconvolver, excited_band
from evenflare.measurement.gate import LEAD, TAPER_SHARE, Window, arrival_time, noise_power, spectra, tail_power
from evenflare.measurement.normalise import at_frequencies, within
from evenflare.measurement.readings import Impulse, NearField, Response, Session
from evenflare.measurement.responses import travel_time
from evenflare.measurement.sounds import DENSITY, SHORTER
from evenflare.measurement.uncertainty import DECIBEL, LEAST_SIGNAL_DB
from evenflare.measurement.window import lowest_frequency
from evenflare.units import BoolArray, ComplexArray, FloatArray, amplitude_db, power_db, read_only

__all__ = ["DENSITY", "NearResponse", "near_response"]
TAIL = 0.25
"""Of a record whose length is not stated, that is left for its noise."""


@dataclass(frozen=True)
class NearResponse:
    """Pressure close to the mouth.

    pressure    : (F,) complex; its scale and delay say nothing.
    valid       : (F,) True where it can be trusted.
    noise       : (F,) dB, standard uncertainty through noise; 0 where that is not known.
    room        : (F,) dB, what a shorter record changes: the room, and what is cut off.
    phase_known : False where only levels were read.
    """

    pressure: ComplexArray
    valid: BoolArray
    noise: FloatArray
    room: FloatArray
    phase_known: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "pressure", read_only(self.pressure, np.complex128))
        object.__setattr__(self, "valid", read_only(self.valid, np.bool_))
        for name in ("noise", "room"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def near_response(session: Session, near: NearField, frequency: FloatArray) -> NearResponse:
    """The near reading at frequencies (F,) Hz, the microphone divided out.

    Sounds are deconvolved as the session's, and windowed over the whole record, or over the length stated. Errors:
    InputError where the record is too short for that.
    """
    reading = near.reading
    factor = np.ones(frequency.size) if session.microphone is None else at_frequencies(session.microphone, frequency)
    covered = within(session.microphone, frequency)
    if isinstance(reading, Response):
        nothing = np.zeros(frequency.size)
        if reading.phase_known:
            lag = travel_time(reading.frequency, reading.pressure)
            moved = reading.pressure * np.exp(2j * np.pi * reading.frequency * lag)
            reading = replace(reading, pressure=moved)
        pressure = at_frequencies(reading, frequency) / factor
        return NearResponse(pressure, within(reading, frequency) & covered, nothing, nothing, reading.phase_known)
    record, band = _record(session, reading)
    rate = reading.sample_rate
    arrival = arrival_time(record, sample_rate=rate)
    left = record.size / rate - arrival
    length = near.length if near.length is not None else (1.0 - TAIL) * left
    if length > left:
        raise InputError(
            f"{session.path} [near_field] length_ms = {1e3 * length:g}: must be at most {1e3 * left:.0f}, as long as"
            f" {reading.file.name} lasts after the arrival. Lower it, or record longer"
        )
    window = Window(arrival, length, min(LEAD, arrival), TAPER_SHARE * length)
    found, less = (
        spectra(record[None], frequency, window=each, sample_rate=rate)[0]
        for each in (window, replace(window, length=SHORTER * length, taper=SHORTER * window.taper))
    )
    quiet, _ = noise_power(record, frequency, window=window, sample_rate=rate)
    tail = tail_power(record, frequency, window=window, sample_rate=rate)
    noise = np.nan_to_num(np.fmax(tail, np.full(frequency.size, np.nan) if quiet is None else quiet))
    power = np.maximum(np.abs(found) ** 2, np.finfo(float).tiny)
    above = power_db(power) - power_db(np.maximum(noise, np.finfo(float).tiny))
    valid = covered & (above >= LEAST_SIGNAL_DB) & (frequency >= lowest_frequency(length) * (1.0 - 1e-9))
    valid &= (frequency >= band[0]) & (frequency <= band[1])
    room = np.abs(amplitude_db(np.maximum(np.abs(less), 1e-300)) - amplitude_db(np.sqrt(power)))
    return NearResponse(found / factor, valid, DECIBEL * np.sqrt(0.5 * noise / power), 0.5 * room, True)


def _record(session: Session, reading: Impulse) -> tuple[FloatArray, tuple[float, float]]:
    """Its impulse response, and the band, Hz, that it holds."""
    rate = reading.sample_rate
    if session.reference is None:
        return reading.samples, (0.0, 0.5 * rate)
    told = excited_band(session.reference, sample_rate=rate)
    band = session.sweep_from or told[0], session.sweep_to or told[1]
    return deconvolver(session.reference, sample_rate=rate, band=band)(reading.samples).samples, band
