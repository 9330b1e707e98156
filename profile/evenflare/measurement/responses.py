"""From responses that another program has already gated, to what was heard in each direction."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.bands import midbands, smoothed
from evenflare.files import InputError
from evenflare.measurement.checked import checked
from evenflare.measurement.drift import undrifted
from evenflare.measurement.gate import vertex
from evenflare.measurement.heard import Heard, averaged, on_axis
from evenflare.measurement.judged import judged
from evenflare.measurement.normalise import at_frequencies, source_only, within
from evenflare.measurement.readings import Response, Session
from evenflare.measurement.sounds import DENSITY
from evenflare.measurement.window import lowest_frequency
from evenflare.units import MILLISECOND, ComplexArray, FloatArray

MOST = 400
"""Frequencies that a file may have before 12 per octave are taken from it where the session asks for none."""
LONGEST_DELAY = 0.1
"""s, the longest travel and delay that a phase is searched for."""


def heard_responses(session: Session) -> Heard:
    """Calibrated responses of a session of texts, on common frequencies, travel taken out where phases are known.

    No gate is applied: it was by whoever wrote them; [gate] length_ms, if stated, says from where they can be trusted.
    Errors: InputError where no reading is on axis, or the files have no frequencies in common.
    """
    readings = [each for each in session.readings if isinstance(each, Response)]
    first = on_axis(readings)
    if first is None:
        raise InputError(
            f"{session.path} [files]: no reading at off-axis angle 0, to which every level refers. Measure it"
        )
    phase_known = all(reading.phase_known for reading in readings)
    frequency, assumed = _common(session, readings, first)
    delay = travel_time(readings[first].frequency, readings[first].pressure) if phase_known else None
    found = np.array([_moved(each, frequency, delay=delay, smoothing=session.smoothing) for each in readings])
    factor = source_only(frequency, session.rig, microphone=session.microphone)
    if not phase_known:
        factor = np.abs(factor).astype(np.complex128)
        assumed.append("phase: not in the files; taken to be that of the travel time in every direction")
    trusted = within(session.microphone, frequency)
    if session.gate.length is not None:
        trusted &= frequency >= lowest_frequency(session.gate.length) * (1.0 - 1e-9)
    judgement = judged(session, readings, found, frequency=frequency, usable=trusted, phase_known=phase_known)
    groups = judgement.groups
    found, drift = undrifted(session, found, frequency=frequency, usable=trusted, phase_known=phase_known)
    means = [averaged(found[group] * factor) for group in groups]
    findings: dict[str, Any] = {"gate": None, "assumed": assumed, "lowest_valid_hz": None}
    findings |= {"warnings": judgement.warnings, "faults": judgement.faults}
    if session.gate.length is not None:
        least = lowest_frequency(session.gate.length)
        findings["lowest_valid_hz"] = round(least, 3)
        findings["gate"] = {"length_ms": session.gate.length / MILLISECOND, "shape": "applied before, as stated"}
    else:
        assumed.append("gate: not stated; every frequency of the files is taken to be free of reflections")
    if delay is not None:
        findings["reference_delay_ms"] = (delay - session.rig.distance / session.rig.air.speed_of_sound) / MILLISECOND
    return Heard(
        frequency=frequency,
        azimuth=np.array([readings[group[0]].azimuth for group in groups]),
        off_axis=np.array([readings[group[0]].off_axis for group in groups]),
        pressure=np.array([mean for mean, _ in means]),
        spread=np.array([spread for _, spread in means]),
        noise=np.full((len(groups), frequency.size), np.nan),
        readings=np.array([len(group) for group in groups]),
        trusted=trusted,
        phase_known=phase_known,
        files=tuple(readings[group[0]].file.name for group in groups),
        findings=findings,
        drift=drift,
        suspect=judgement.suspect,
        checked=checked(session, found, judgement, usable=trusted),
    )


def travel_time(frequency: FloatArray, pressure: ComplexArray) -> float:
    """Time, s, 0 to 0.1, by which a response (F,) lags: it makes the phases of neighbouring frequencies agree best.

    Works on any spacing, since differences of frequency that differ leave one answer only. An even spacing leaves the
    answer open by its reciprocal: the least is given.
    """
    step = np.diff(frequency)
    turning = np.conj(pressure[:-1]) * pressure[1:]
    turning = turning / np.maximum(np.abs(turning), np.finfo(float).tiny) ** 0.5
    fine = 0.1 / float(step.max())
    last = min(LONGEST_DELAY, 1.0 / float(step.max()) if np.ptp(step) < 1e-3 * step.mean() else LONGEST_DELAY)
    for _ in range(2):
        tried = np.arange(0.0, last, fine)
        if tried.size < 20_000:
            break
        fine *= 2.0
    agreed = np.concatenate(
        [
            (np.exp(2j * np.pi * np.outer(part, step)) @ turning).real
            for part in np.array_split(tried, max(1, tried.size // 500))
        ]
    )
    top = int(np.argmax(agreed))
    return float(tried[top] + fine * vertex(agreed, top))


def _common(session: Session, readings: list[Response], first: int) -> tuple[FloatArray, list[str]]:
    """Frequencies that every file covers: those asked for, the first file's own, or 12 per octave of them."""
    low = max(float(reading.frequency[0]) for reading in readings)
    high = min(float(reading.frequency[-1]) for reading in readings)
    own = readings[first].frequency
    assumed: list[str] = []
    if session.frequency is not None:
        wanted = session.frequency
    elif own.size <= MOST:
        wanted = own
    else:
        wanted = midbands(DENSITY, lowest=max(low, 10.0), highest=high) if high > max(low, 10.0) else own[:0]
        assumed.append(f"frequencies: {DENSITY} per octave of the {own.size} in the files")
    inside = (wanted >= low * (1.0 - 1e-9)) & (wanted <= high * (1.0 + 1e-9))
    if not np.any(inside):
        raise InputError(
            f"{session.path} [files]: no frequency that is asked for lies in every file, which share {low:g} to"
            f" {high:g} Hz. Export them over one range"
        )
    if not np.all(inside):
        assumed.append(f"frequencies: only {low:g} to {high:g} Hz, which every file covers")
    return wanted[inside], assumed


def _moved(reading: Response, frequency: FloatArray, *, delay: float | None, smoothing: float | None) -> ComplexArray:
    """A reading at the frequencies, `delay` taken out before anything is done between its own."""
    pressure = reading.pressure if delay is not None else np.abs(reading.pressure).astype(np.complex128)
    if delay is not None:
        pressure = pressure * np.exp(2j * np.pi * reading.frequency * delay)
    still = Response(0.0, 0.0, 1, reading.frequency, pressure, delay is not None, reading.file)
    found = at_frequencies(still, frequency)
    if smoothing is None:
        return found
    even = smoothed(reading.frequency, np.abs(pressure) ** 2, fraction=smoothing)
    level = np.exp(np.interp(np.log(frequency), np.log(reading.frequency), np.log(np.maximum(np.sqrt(even), 1e-300))))
    return np.asarray(level * np.exp(1j * np.angle(found)))
