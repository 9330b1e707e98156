"""The reading close to the mouth that a session names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from evenflare.files import InputError
from evenflare.measurement.readings import Impulse, NearField, Response
from evenflare.measurement.session_tables import NearFieldTable
from evenflare.measurement.text_response import read_text_response
from evenflare.measurement.wav import read_wav
from evenflare.units import MILLIMETRE, MILLISECOND, REFERENCE_PRESSURE


def read_near_field(
    path: Path, table: NearFieldTable, others: Sequence[Impulse | Response], *, channel: int | None
) -> NearField:
    """What [near_field] of the session `path` names.

    others : the far readings; a WAV file is of their kind and sample rate. Text goes with any.
    Errors: InputError if the file is at fault, or a sound among responses.
    """
    file = path.parent / table.file
    reading: Impulse | Response
    if file.suffix.lower() == ".wav":
        first = others[0]
        if not isinstance(first, Impulse):
            raise InputError(
                f'{path} [near_field] file = "{table.file}": must be text (Hz, dB, degrees), since the other readings'
                " are responses. Export it as they were"
            )
        samples, rate = read_wav(file, channel=channel)
        if rate != first.sample_rate:
            raise InputError(
                f"{file}: {rate:g} samples a second, {first.file.name} {first.sample_rate:g}: must be alike. Export"
                " both at one sample rate"
            )
        if not samples.any():
            raise InputError(f"{file}: is silent: every sample is 0. Record it again")
        reading = Impulse(0.0, 0.0, 1, samples, rate, file)
    else:
        text = read_text_response(file)
        pressure = REFERENCE_PRESSURE * text.ratio
        reading = Response(0.0, 0.0, 1, text.frequency, pressure, text.phase is not None, file)
    return NearField(
        reading,
        (table.overlap_from_hz, table.overlap_to_hz),
        distance=table.distance_mm * MILLIMETRE,
        position=table.position_mm * MILLIMETRE,
        radius=None if table.radius_mm is None else table.radius_mm * MILLIMETRE,
        length=None if table.length_ms is None else table.length_ms * MILLISECOND,
    )
