"""From recorded sounds, impulses or sweeps, to what was heard in each direction."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from evenflare.bands import midbands, smoothed
from evenflare.files import InputError
from evenflare.measurement.arrivals import checked_arrivals
from evenflare.measurement.checked import checked
from evenflare.measurement.decay import decay
from evenflare.measurement.deconvolve import Deconvolved, deconvolver, excited_band
from evenflare.measurement.distortion import HIGHEST_ORDER, Distortion, distortion
from evenflare.measurement.drift import undrifted
from evenflare.measurement.gate import LEAD, TAPER_SHARE, Window, noise_power, spectra, tail_power
from evenflare.measurement.heard import Heard, averaged, on_axis
from evenflare.measurement.judged import judged
from evenflare.measurement.normalise import source_only, within
from evenflare.measurement.readings import Impulse, Remark, Session
from evenflare.measurement.recorded import padded_from, padded_words, recording_remarks
from evenflare.measurement.window import GATE_SHARE, lowest_frequency, reflection_free_time
from evenflare.units import MILLISECOND, ComplexArray, FloatArray

DENSITY = 12
"""Frequencies per octave where the session asks for none."""
HIGHEST = 20e3
"""Hz, and
NYQUIST_SHARE of half the sample rate: the highest of them."""
NYQUIST_SHARE = 0.9
SHORTER = 0.8
"""Of the gate's length, at which every direction is gated again to see what the gate does."""


def heard_sounds(session: Session) -> Heard:
    """Gated, calibrated responses of a session of sounds, travel taken out, and what was found on the way.

    Errors: InputError where no reading is on axis, the window does not fit the records or is not stated, or a record
    is silent.
    """
    readings = [each for each in session.readings if isinstance(each, Impulse)]
    rate = readings[0].sample_rate
    first = on_axis(readings)
    if first is None:
        raise InputError(
            f"{session.path} [files]: no reading at off-axis angle 0, to which every level refers. Measure it"
        )
    records, played, swept = _records(session, readings, first)
    for reading, record in zip(readings, records, strict=True):
        if not np.any(record):
            raise InputError(f"{reading.file}: is silent: every sample is 0. Record it again")
    speed = session.rig.air.speed_of_sound
    arrival, said = checked_arrivals(readings, records, first=first, kind=session.kind, speed_of_sound=speed)
    window, window_findings = chosen_window(session, float(arrival[first]))
    end = window.arrival + window.length
    for reading, record in zip(readings, records, strict=True):
        if record.size < end * rate - 1.0:
            raise InputError(
                f"{reading.file}: ends at {1e3 * record.size / rate:.2f} ms, before the gate does ({1e3 * end:.2f} ms)."
                f" Record longer, or set [gate] length_ms in {session.path.name} shorter"
            )
    padded = padded_from(readings, records, end=end)
    said += recording_remarks(readings, swept=session.kind == "sweep")
    words = padded_words(readings, padded, arrival=window.arrival, session=session.path.name)
    said += [Remark(i, "zeros in the gate", each) for i, each in zip(padded, words, strict=True)]
    # What zeros stand for was not heard: a record that ends early is a shorter gate.
    heard_for = min([window.length, *(max(start - window.arrival, 1e-4) for start in padded.values())])
    frequency = chosen_frequencies(session, window, rate)
    factor = source_only(frequency, session.rig, microphone=session.microphone) * session.full_scale
    found = _found(records, frequency, window=window, rate=rate, smoothing=session.smoothing) * factor
    trusted = (frequency >= lowest_frequency(heard_for) * (1.0 - 1e-9)) & within(session.microphone, frequency)
    trusted &= (frequency >= played[0]) & (frequency <= played[1])
    quiet = noise_power(records[first], frequency, window=window, sample_rate=rate)[0]
    quiet = None if quiet is None else quiet * np.abs(factor) ** 2
    judgement = judged(session, readings, found, frequency=frequency, usable=trusted, noise=quiet)
    groups = judgement.groups
    found, drift = undrifted(session, found, frequency=frequency, usable=trusted)
    means = [averaged(found[group]) for group in groups]
    less = replace(window, length=SHORTER * window.length, taper=SHORTER * window.taper)
    firsts = [records[group[0]] for group in groups]
    one = _found(firsts, frequency, window=window, rate=rate, smoothing=session.smoothing)
    cut = _found(firsts, frequency, window=less, rate=rate, smoothing=session.smoothing) / np.where(one == 0, 1.0, one)
    window_findings["warnings"] += judgement.warnings + [each.words for each in said]
    noise = [noise_power(record, frequency, window=window, sample_rate=rate) for record in records]
    level = np.array([np.full(frequency.size, np.nan) if power is None else power for power, _ in noise])
    level = np.fmax(level, [tail_power(record, frequency, window=window, sample_rate=rate) for record in records])
    level *= np.abs(factor) ** 2
    least = lowest_frequency(heard_for)
    findings = {
        **window_findings,
        "faults": judgement.faults,
        "lowest_valid_hz": round(least, 3),
        "reference_delay_ms": (window.arrival - session.rig.distance / session.rig.air.speed_of_sound) / MILLISECOND,
        "noise_from": noise[first][1],
    }
    harmonics: Distortion | None = None
    if swept is not None:
        findings["sweep"] = {"from_hz": played[0], "to_hz": played[1]}
        harmonics = distortion(
            swept,
            window=window,
            band=played,
            duration=readings[first].samples.size / rate,
            sample_rate=rate,
            factor=lambda at: np.where(
                within(session.microphone, at), source_only(at, session.rig, microphone=session.microphone), np.nan
            ),
        )
        findings["distortion"] = None if harmonics is None else harmonics.findings()
    died = decay(records[first], window=window, heard_for=heard_for, band=played, sample_rate=rate)
    findings["decay"] = None if died is None else died.findings()
    return Heard(
        frequency=frequency,
        azimuth=np.array([readings[group[0]].azimuth for group in groups]),
        off_axis=np.array([readings[group[0]].off_axis for group in groups]),
        pressure=np.array([mean for mean, _ in means]),
        spread=np.array([spread for _, spread in means]),
        noise=level[[group[0] for group in groups]],
        readings=np.array([len(group) for group in groups]),
        trusted=trusted,
        phase_known=True,
        files=tuple(readings[group[0]].file.name for group in groups),
        findings=findings,
        shorter=np.array([mean for mean, _ in means]) * cut,
        drift=drift,
        suspect=judgement.suspect,
        checked=checked(
            session,
            found,
            judgement,
            usable=trusted,
            remarks=said,
            arrival=arrival,
            noise=level,
        ),
        distortion=harmonics,
        decay=died,
    )


def _records(
    session: Session, readings: list[Impulse], first: int
) -> tuple[list[FloatArray], tuple[float, float], Deconvolved | None]:
    """Impulse responses of all readings, the band that they hold, Hz, and all that the sweep at `first` gave."""
    rate = readings[0].sample_rate
    if session.kind != "sweep" or session.reference is None:
        return [reading.samples for reading in readings], (0.0, 0.5 * rate), None
    told = excited_band(session.reference, sample_rate=rate)
    low, high = session.sweep_from or told[0], session.sweep_to or told[1]
    divide = deconvolver(session.reference, sample_rate=rate, band=(low, high))
    parts: list[Deconvolved] = [
        divide(reading.samples, orders=HIGHEST_ORDER if index == first else 0) for index, reading in enumerate(readings)
    ]
    return [part.samples for part in parts], (low, high), parts[first]


def chosen_window(session: Session, arrival: float) -> tuple[Window, dict[str, Any]]:
    """The window that a session states or leaves to its rig, about an arrival (s), and how it came about.

    InputError where neither a length nor the heights are stated.
    """
    rig, gate = session.rig, session.gate
    free: float | None = None
    if rig.source_height is not None and rig.microphone_height is not None:
        # The stated distance is the one that sound travels.
        over_ground = np.sqrt(max(rig.distance**2 - (rig.source_height - rig.microphone_height) ** 2, 1e-6))
        free = reflection_free_time(
            float(over_ground),
            rig.source_height,
            microphone_height=rig.microphone_height,
            speed_of_sound=rig.air.speed_of_sound,
        )
    surface = "ground"
    if rig.wall is not None:
        wall = reflection_free_time(
            rig.distance, rig.wall, microphone_height=rig.wall, speed_of_sound=rig.air.speed_of_sound
        )
        if free is None or wall < free:
            free, surface = wall, "wall"
    if gate.length is None and None in (rig.source_height, rig.microphone_height):
        raise InputError(
            f"{session.path} [gate] length_ms: must be stated where [rig] has no source_height_m and"
            " microphone_height_m, from which it would follow. State either"
        )
    length = gate.length if gate.length is not None else GATE_SHARE * (free or 0.0)
    taper = TAPER_SHARE * length if gate.taper is None else min(gate.taper, length)
    lead = min(LEAD if gate.lead is None else gate.lead, arrival)
    warnings = []
    if free is not None and length > free:
        warnings.append(
            f"the gate of {length / MILLISECOND:.2f} ms holds the {surface}'s reflection, which comes"
            f" {free / MILLISECOND:.2f} ms after the direct sound. Set [gate] length_ms in {session.path.name} to at"
            f" most {np.floor(100.0 * free / MILLISECOND) / 100.0:g}, or move the rig from the {surface}"
        )
    assumed = []
    if gate.length is None:
        assumed.append(f"gate: {GATE_SHARE:g} of the time until the {surface}'s reflection")
    if gate.taper is None:
        assumed.append(f"gate: falls over its last {100 * TAPER_SHARE:g} %")
    if gate.lead is None:
        assumed.append(f"gate: begins {lead / MILLISECOND:.3g} ms before the arrival")
    described = {
        "arrival_ms": arrival / MILLISECOND,
        "length_ms": length / MILLISECOND,
        "lead_ms": lead / MILLISECOND,
        "taper_ms": taper / MILLISECOND,
        "shape": "half-cosine rise over the first half of the lead, 1, half-cosine fall over the taper",
        "reflection_free_ms": None if free is None else free / MILLISECOND,
    }
    return Window(arrival, length, lead, taper), {"gate": described, "warnings": warnings, "assumed": assumed}


def chosen_frequencies(session: Session, window: Window, rate: float) -> FloatArray:
    """The session's frequencies, or 12 per octave from half the lowest trustworthy one. Errors: InputError."""
    highest = NYQUIST_SHARE * 0.5 * rate
    if session.frequency is not None:
        if session.frequency[-1] > 0.5 * rate:
            raise InputError(
                f"{session.path} [analysis]: {session.frequency[-1]:g} Hz lies above half the sample rate"
                f" ({0.5 * rate:g} Hz). Ask for less, or record at a higher rate"
            )
        return session.frequency
    lowest = 0.5 * lowest_frequency(window.length)
    return midbands(DENSITY, lowest=min(max(10.0, lowest), 0.5 * highest), highest=min(HIGHEST, highest))


def _found(
    records: list[FloatArray], frequency: FloatArray, *, window: Window, rate: float, smoothing: float | None
) -> ComplexArray:
    """Responses (R, F), smoothed in mean square where asked for, with the phase of the unsmoothed."""
    size = int(np.ceil((window.arrival + window.length) * rate)) + 1
    cut = np.zeros((len(records), size))
    for row, record in zip(cut, records, strict=True):
        row[: min(size, record.size)] = record[:size]
    found = spectra(cut, frequency, window=window, sample_rate=rate)
    if smoothing is None:
        return found
    reach = 2.0 ** (0.6 / smoothing)
    dense = np.geomspace(frequency[0] / reach, min(frequency[-1] * reach, 0.5 * rate), _count(frequency, smoothing))
    every = np.union1d(dense, frequency)
    square = np.abs(spectra(cut, every, window=window, sample_rate=rate)) ** 2
    even = smoothed(every, square.T, fraction=smoothing)[np.searchsorted(every, frequency)].T
    return np.asarray(np.sqrt(even) * np.exp(1j * np.angle(found)))


def _count(frequency: FloatArray, smoothing: float) -> int:
    """Enough frequencies that a band of 1 / `smoothing` octave holds a dozen."""
    return int(12 * max(smoothing, 1.0) * (np.log2(frequency[-1] / frequency[0]) + 2.0)) + 2
