"""The measured responses that a loudspeaker's file names, read for the crossover."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from evenflare.files import InputError
from evenflare.units import MILLISECOND

if TYPE_CHECKING:
    from evenflare.dsp.measured import MeasuredResponse, Nearby
    from evenflare.dsp.measured_table import MeasuredTable


def read_measured(path: Path, name: str, table: MeasuredTable, close: Nearby) -> MeasuredResponse:
    """What the files of a way tell of it: far from it, off its axis if there are angles, and close to it.

    path  : the loudspeaker's file, from whose folder they are named. name: the way. close: takes a near reading far.
    Errors: InputError, which names table and key.
    """
    import numpy as np

    from evenflare.dsp.measured import MeasuredPattern, MeasuredResponse
    from evenflare.measurement.merging import HALF, UNLIKE_DB, merged
    from evenflare.measurement.way_response import read_responses

    where = f"{path} [{name}.measured]"
    gate = None if table.gate_ms is None else table.gate_ms * MILLISECOND
    try:
        readings, delay = read_responses(path.parent, table.response, where=f"{where} response", gate=gate)
    except InputError as error:
        raise _named(where, "response", table.response, error) from error
    axis = readings[0]
    told = [f"measured on axis at {table.distance_m:g} m ({axis.file.name})"]
    pattern = None
    if len(readings) > 1:
        angles = np.array([each.off_axis for each in readings])
        relative = np.stack([each.pressure for each in readings], axis=1) / axis.pressure[:, None]
        pattern = MeasuredPattern(axis.frequency, angles, relative)
        told.append(f"measured at {len(readings)} angles to {np.degrees(angles[-1]):g} degrees, alike all round")
    frequency, pressure, phase = axis.frequency, axis.pressure, axis.phase_known
    if table.near_field is not None and table.merge_hz is not None:
        key = f"{where} merge_hz = {table.merge_hz:g}"
        try:
            ((near,), _) = read_responses(path.parent, table.near_field, where=f"{where} near_field", gate=None)
        except InputError as error:
            raise _named(where, "near_field", table.near_field, error) from error
        if table.merge_hz * 2.0**HALF > close.highest:
            raise InputError(
                f"{key}: must be at most {close.highest * 2.0**-HALF:.0f}, half an octave below where the pressure"
                " close to the cone no longer follows it. Lower it"
            )
        try:
            both = merged(axis, near, close.to_far, at=table.merge_hz)
        except ValueError as error:
            raise InputError(f"{key}: {error}. Move it, or measure what lacks") from error
        frequency, pressure, phase = both.frequency, both.pressure, both.phase_known
        words = f"below {table.merge_hz:g} Hz measured {table.near_distance_mm:g} mm from its middle ({near.file.name})"
        if both.scale.spread > UNLIKE_DB:
            words += f", which differs there by {both.scale.spread:.1f} dB rms from far away: check what is merged"
        told.append(f"{words}, with the step of what it stands in")
        if both.scale.inverted:
            told.append(f"{near.file.name} was of the other polarity and is turned round")
    late = delay - table.distance_m / close.speed_of_sound
    if phase and table.arrival == "kept":
        pressure, late = pressure * np.exp(-2j * np.pi * frequency * late), 0.0
    return MeasuredResponse(frequency, table.distance_m * pressure, phase, pattern, tuple(told), late)


def _named(where: str, key: str, value: str, error: InputError) -> InputError:
    """A fault of a file begins with where it is named, unless it does already."""
    said = str(error)
    return error if said.startswith(where) else InputError(f'{where} {key} = "{value}": {said}')
