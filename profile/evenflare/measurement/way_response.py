"""A driver's response in its box, for a loudspeaker: on axis and off it, far from it and close to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from evenflare.bands import midbands
from evenflare.files import InputError
from evenflare.measurement import names
from evenflare.measurement.gate import LEAD, TAPER_SHARE, Window, arrival_time, spectra
from evenflare.measurement.normalise import at_frequencies, within
from evenflare.measurement.readings import Response
from evenflare.measurement.responses import travel_time
from evenflare.measurement.text_response import read_text_response
from evenflare.measurement.wav import channels_of, read_wav
from evenflare.measurement.window import lowest_frequency
from evenflare.units import DEGREE, REFERENCE_PRESSURE

FINE, MOST = 48, 1000
"""Frequencies per octave of an impulse response, and of a text that holds more lines than MOST."""
LOWEST, HIGHEST = 5.0, 24e3
"""Hz, between which a response is kept."""
OF_RATE = 0.45
"""Of a sample rate, up to which an impulse response is read: above, converters cut off."""


def read_responses(folder: Path, template: str, *, where: str, gate: float | None) -> tuple[list[Response], float]:
    """What a file's name, or a name with {off_axis_deg} in it, tells from a folder: on axis first, and the travel time
    (s, from an impulse response's first sample) that is taken out of all.

    where : how a message begins: file, table and key. gate: s from the arrival on axis that an impulse response is read
            for; None for all of it. The travel time is that on axis in every direction; 0 where no phase is known.
    Errors: InputError for a file that is missing or broken, an angle outside 0 to 180 degrees, none on axis, or phases
            that lack where there are angles.
    """
    if "{" not in template:
        reading, arrival = _read(folder / template, 0.0, gate=gate, arrival=None)
        still, delay = _without_travel([reading])
        return still, delay + arrival
    found = names.found(folder, template, where=where)
    start = f'{where} = "{template}"'
    if found[0].degrees != 0.0 or found[-1].degrees > 180.0:
        raise InputError(
            f"{start}: angles are {found[0].degrees:g} to {found[-1].degrees:g} degrees: must begin at 0, on axis, and"
            " end at 180 at most, all to one side. Name them so"
        )
    if len({each.degrees for each in found}) < len(found):
        raise InputError(f"{start}: must have one reading of each angle. Keep one")
    axis, arrival = _read(found[0].file, 0.0, gate=gate, arrival=None)
    readings = [axis]
    for each in found[1:]:
        readings.append(_read(each.file, each.degrees * DEGREE, gate=gate, arrival=arrival)[0])
    for reading in readings:
        if not reading.phase_known:
            raise InputError(f"{reading.file}: has no phases, which directions need. Export them, or give one file")
    still, delay = _without_travel(readings)
    return _alike(still), delay + arrival


def _alike(readings: Sequence[Response]) -> list[Response]:
    """All at those frequencies of the first that every one covers."""
    frequency = readings[0].frequency
    for each in readings[1:]:
        frequency = frequency[within(each, frequency)]
    if frequency.size < 2:
        raise InputError(f"{readings[-1].file}: shares no frequencies with {readings[0].file.name}. Export both alike")
    return [replace(each, frequency=frequency, pressure=at_frequencies(each, frequency)) for each in readings]


def _without_travel(readings: Sequence[Response]) -> tuple[list[Response], float]:
    if not readings[0].phase_known:
        return list(readings), 0.0
    delay = travel_time(readings[0].frequency, readings[0].pressure)
    turned = [replace(each, pressure=each.pressure * np.exp(2j * np.pi * each.frequency * delay)) for each in readings]
    return turned, delay


def _read(file: Path, off_axis: float, *, gate: float | None, arrival: float | None) -> tuple[Response, float]:
    """One file, and the time, s, from which its phase counts: for an impulse response its arrival."""
    if file.suffix.lower() != ".wav":
        return _kept(_text(file, off_axis)), 0.0
    if (channels := channels_of(file)) > 1:
        raise InputError(f"{file}: holds {channels} channels: must be 1, an impulse response. Export one of them")
    samples, rate = read_wav(file)
    begin = arrival_time(samples, sample_rate=rate) if arrival is None else arrival
    left = samples.size / rate - begin
    length = left if gate is None else gate
    if not 0.0 < length <= left * (1.0 + 1e-9):
        raise InputError(
            f"{file}: lasts {1e3 * left:.4g} ms after the arrival: must be at least gate_ms = {1e3 * length:.4g}."
            " Lower that, or record longer"
        )
    low, high = max(lowest_frequency(length), LOWEST), min(OF_RATE * rate, HIGHEST)
    if not high > 2.0 * low:
        raise InputError(
            f"{file}: {1e3 * length:.3g} ms tell levels from {low:.4g} Hz on, less than an octave below {high:.4g} Hz."
            " Raise gate_ms, or record longer"
        )
    window = Window(begin, length, min(LEAD, begin), TAPER_SHARE * length)
    frequency = midbands(FINE, lowest=low, highest=high)
    pressure = spectra(samples[None], frequency, window=window, sample_rate=rate)[0]
    return Response(0.0, off_axis, 1, frequency, pressure, True, file), begin


def _text(file: Path, off_axis: float) -> Response:
    read = read_text_response(file)
    return Response(0.0, off_axis, 1, read.frequency, REFERENCE_PRESSURE * read.ratio, read.phase is not None, file)


def _kept(reading: Response) -> Response:
    """From `LOWEST` to `HIGHEST`, and at no more frequencies than anything here can use."""
    frequency = reading.frequency
    inside = (frequency >= LOWEST) & (frequency <= HIGHEST)
    if np.count_nonzero(inside) < 2:
        raise InputError(
            f"{reading.file}: holds fewer than 2 frequencies from {LOWEST:g} to {HIGHEST:g} Hz: must be audible. Export"
            " the whole response"
        )
    reading = replace(reading, frequency=frequency[inside], pressure=reading.pressure[inside])
    if np.count_nonzero(inside) <= MOST:
        return reading
    low, high = float(frequency[inside][0]), float(frequency[inside][-1])
    bands = midbands(FINE, lowest=low, highest=high)
    (turned,), delay = _without_travel([reading])
    pressure = at_frequencies(turned, bands) * np.exp(-2j * np.pi * bands * delay)
    return replace(reading, frequency=bands, pressure=pressure)
