"""A driver behind a waveguide: its response on axis from a file, or what it gives as an acoustic source."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evenflare.columns import text_lines
from evenflare.directivity.types import Directivity
from evenflare.dsp.equaliser import END, filtered
from evenflare.dsp.fir import least_phase
from evenflare.dsp.interference import interpolated
from evenflare.files import InputError, short
from evenflare.units import DEGREE, REFERENCE_PRESSURE, ComplexArray, FloatArray, read_only
from evenflare.waveguide import Source

UNIT_VELOCITY = "1 m/s rms over the exit"
"""How a prediction says that it is for unit velocity, which a source can then scale."""


@dataclass(frozen=True)
class OnAxis:
    """A response on axis, as measured or taken from a data sheet.

    frequency : (F,) Hz, rising.
    level     : (F,) dB.
    phase     : (F,) rad, unwrapped; None where not known.
    """

    frequency: FloatArray
    level: FloatArray
    phase: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("frequency", "level", "phase"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name)))


def read_on_axis(path: Path) -> OnAxis:
    """The rows of a text or CSV file: frequency in Hz, level in dB and, if there, phase in degrees.

    Apart by commas, semicolons, blanks or tabs; lines that do not begin with a number are passed over.
    Errors: InputError that names the line, if a row is not whole, the frequencies do not rise, or there are under two.
    """
    rows: list[list[float]] = []
    for line, text in enumerate(text_lines(path), start=1):
        if not re.match(r"\s*[-+.\d]", text):
            continue
        try:
            values = [float(each) for each in re.split(r"[,;\s]+", text.strip()) if each]
        except ValueError:
            values = []
        if len(values) not in (2, 3) or not np.all(np.isfinite(values)):
            raise InputError(
                f"{path} line {line}: {short(text, 60)}: must be frequency in Hz, level in dB and, if known, phase in"
                " degrees. Write decimals with a point"
            )
        if rows and (len(values) != len(rows[0]) or values[0] <= rows[-1][0]):
            wrong = "as many values as the line before" if len(values) != len(rows[0]) else "a higher frequency"
            raise InputError(f"{path} line {line}: {short(text, 60)}: must have {wrong}. Correct it, or remove it")
        if values[0] <= 0.0:
            raise InputError(f"{path} line {line}: {values[0]:g} Hz: must be above 0. Remove the line")
        rows.append(values)
    if len(rows) < 2:
        raise InputError(f"{path}: holds {len(rows)} frequencies: must hold two at least, a line each: Hz, dB, degrees")
    columns = np.array(rows).T
    return OnAxis(columns[0], columns[1], np.unwrap(columns[2] * DEGREE) if len(columns) == 3 else None)


def replaced(directivity: Directivity, on_axis: OnAxis) -> Directivity:
    """The directivity's pattern with another response on axis, of the driver on this waveguide.

    Level and, where known, phase become the file's; without a phase the directivity's own changes by the least that
    goes with the change of level, as of a driver that is minimum-phase. Valid only where the file's frequencies reach.
    """
    frequency, own = directivity.observation.frequency, directivity.on_axis
    level = interpolated(on_axis.frequency, on_axis.level, frequency)
    size = np.maximum(np.abs(own), np.finfo(np.float64).tiny)
    gain: ComplexArray = np.asarray(10.0 ** (level / 20.0) * REFERENCE_PRESSURE / size, dtype=np.complex128)
    if on_axis.phase is not None:
        phase = interpolated(on_axis.frequency, on_axis.phase, frequency)
        if not directivity.observation.far_field:
            phase = phase - directivity.wavenumber * directivity.observation.distance
        gain = np.asarray(gain * np.exp(1j * phase) * np.conj(own) / size)
    else:
        gain = np.asarray(gain * np.exp(1j * least_phase(frequency, np.abs(gain))))
    return _covered(filtered(directivity, gain), on_axis.frequency)


def for_unit_velocity(directivity: Directivity) -> bool:
    """Whether a directivity is a prediction for 1 m/s rms over the exit, with no driver in it."""
    solved = directivity.throat_impedance is not None
    return solved and directivity.provenance.get("source", UNIT_VELOCITY) == UNIT_VELOCITY


def driven(directivity: Directivity, source: Source) -> Directivity:
    """What an acoustic source gives to a waveguide predicted for unit velocity: U = p0 / (rho c (Zs + Zt)).

    Valid only where the source's frequencies reach. ValueError if the directivity knows no throat impedance, or is not
    for unit velocity. Source: Beranek and Mellow (2012), Acoustics, chapter 3 (from memory).
    """
    frequency, throat = directivity.observation.frequency, directivity.throat_impedance
    made_for = directivity.provenance.get("source", UNIT_VELOCITY)
    if throat is None:
        raise ValueError("has no throat impedance, which a source needs: give a prediction, or leave the source out")
    if made_for != UNIT_VELOCITY:
        raise ValueError(f'was solved for "{made_for}": a source is in it already. Leave the source out')
    given = np.array(source.frequency)
    inside, blocked = source.at_frequency(np.clip(frequency, given[0], given[-1]))
    velocity = blocked / (directivity.density * directivity.speed_of_sound * (inside + throat))
    return _covered(filtered(directivity, velocity), given)


def _covered(directivity: Directivity, given: FloatArray) -> Directivity:
    """Valid only at frequencies from the first to the last of those given."""
    frequency = directivity.observation.frequency
    reached = (frequency >= given[0] * (1.0 - END)) & (frequency <= given[-1] * (1.0 + END))
    return replace(directivity, valid=directivity.valid & reached)
