"""What was heard in each direction: every reading, of whatever kind, as a response on one row of frequencies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from evenflare.measurement.decay import Decay
from evenflare.measurement.distortion import Distortion
from evenflare.measurement.drift import Drift
from evenflare.measurement.readings import Impulse, Response, Session
from evenflare.units import BoolArray, ComplexArray, FloatArray, read_only

if TYPE_CHECKING:
    from evenflare.measurement.checked import Checked

SAME_ANGLE = 1e-6
"""rad, below which two readings are of one direction."""


@dataclass(frozen=True)
class Heard:
    """Responses by direction, the travel to the microphone on axis taken out of their phase.

    frequency   : (F,) Hz, strictly rising.
    azimuth     : (D,) rad, of a direction's plane.
    off_axis    : (D,) rad, as its files name it.
    pressure    : (D, F) complex Pa at the microphone, the mean over a direction's readings.
    spread      : (D, F) dB, standard deviation from reading to reading; nan where there was one only.
    noise       : (D, F) Pa^2, mean square of the noise in one reading's response; nan where not known.
    readings    : (D,) how many.
    trusted     : (F,) True within the window's and the microphone calibration's range.
    phase_known : False where only levels were read.
    files       : (D,) name of each direction's first file.
    findings    : what was found and assumed on the way, plain values.
    shorter     : (D, F) complex Pa, the same through a gate of `SHORTER` of the length, or None where none was gated.
    drift       : what repeats say of a drift over the session, or None.
    suspect     : (D,) True where the reading contradicts its neighbours; empty where none does.
    checked     : every reading by itself, in the session's order.
    distortion  : harmonics on axis, of sweeps; else None.
    decay       : on axis, of sounds that a gate leaves long enough; else None.
    """

    frequency: FloatArray
    azimuth: FloatArray
    off_axis: FloatArray
    pressure: ComplexArray
    spread: FloatArray
    noise: FloatArray
    readings: FloatArray
    trusted: BoolArray
    phase_known: bool
    files: tuple[str, ...]
    findings: Mapping[str, Any] = field(default_factory=dict)
    shorter: ComplexArray | None = None
    drift: Drift | None = None
    suspect: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    checked: tuple[Checked, ...] = ()
    distortion: Distortion | None = None
    decay: Decay | None = None

    def __post_init__(self) -> None:
        for name in ("frequency", "azimuth", "off_axis", "spread", "noise", "readings"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "pressure", read_only(self.pressure, np.complex128))
        if self.shorter is not None:
            object.__setattr__(self, "shorter", read_only(self.shorter, np.complex128))
        object.__setattr__(self, "trusted", read_only(self.trusted, np.bool_))
        suspect = self.suspect if self.suspect.size else np.zeros(self.azimuth.size)
        object.__setattr__(self, "suspect", read_only(suspect, np.bool_))

    @property
    def reference(self) -> int:
        """Index of the direction on axis, in the first plane that has it."""
        return int(np.flatnonzero(np.abs(self.off_axis) < SAME_ANGLE)[0])


def by_direction(session: Session) -> list[list[int]]:
    """Indices of the readings of each direction, directions and readings in the session's order."""
    found: dict[tuple[int, int], list[int]] = {}
    readings: Sequence[Impulse | Response] = session.readings
    for index, reading in enumerate(readings):
        place = (round(reading.azimuth / SAME_ANGLE), round(reading.off_axis / SAME_ANGLE))
        found.setdefault(place, []).append(index)
    return list(found.values())


def on_axis(readings: Sequence[Impulse | Response]) -> int | None:
    """Index of the first reading on axis, or None."""
    return next((i for i, reading in enumerate(readings) if abs(reading.off_axis) < SAME_ANGLE), None)


def averaged(pressure: ComplexArray) -> tuple[ComplexArray, FloatArray]:
    """Mean (F,) of repeated responses (R, F), and their spread (F,) in dB, nan of one reading.

    The level is that of the mean square, the phase that of the sum: readings that drift in time lose no level.
    """
    level = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0))
    mean = level * np.exp(1j * np.angle(pressure.sum(axis=0)))
    if pressure.shape[0] == 1:
        return mean, np.full(mean.size, np.nan)
    decibels = 20.0 * np.log10(np.maximum(np.abs(pressure), np.finfo(float).tiny))
    return mean, np.asarray(np.std(decibels, axis=0, ddof=1))
