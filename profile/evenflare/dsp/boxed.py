"""Ways in the faces of one cabinet: pistons, each heard with all that the box makes of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from evenflare.directivity.types import unit_vectors
from evenflare.dsp.baffle_step import BaffleStep, fitted
from evenflare.dsp.drivers import Radiator, over
from evenflare.exterior.cabinets import Solved, top_wavenumber
from evenflare.exterior.pistons import Piston, radiated
from evenflare.units import ComplexArray, FloatArray, amplitude_db
from evenflare.waveguide import AnyCabinet

NARROW = 4.0
"""Wavenumber times radius of a piston whose index, 12 dB in a baffle, is above that of any way over it: where the
indices are to meet, they do below."""


def middle(pistons: Sequence[Piston]) -> FloatArray:
    """(3,) m, of a way's equal pistons, from the cabinet's middle."""
    return np.asarray(np.mean([each.place for each in pistons], axis=0))


def highest(pistons: Sequence[Piston], *, speed_of_sound: float) -> float:
    """Hz, up to which a way can be solved at all."""
    return min(top_wavenumber(each.turned) for each in pistons) * speed_of_sound / (2.0 * np.pi)


def driver_of(
    pistons: Sequence[Piston],
    frequency: FloatArray,
    *,
    top: float,
    speed_of_sound: float,
    cores: int = 1,
    progress: Callable[[Solved], None] | None = None,
) -> Radiator:
    """A way of equal pistons that share its signal, their mean, solved at those of `frequency` (F,) Hz up to `top`.

    Its point of reference is the `middle` of the pistons; each would make 1 Pa m far ahead of its face in a baffle.
    Between the frequencies the pressure is straight over log frequency. ValueError if nothing can be solved.
    """
    asked = frequency[frequency <= top * (1 + 1e-9)]
    if not asked.size:
        raise ValueError(f"the lowest frequency, {frequency[0]:.4g} Hz, is above {top:.4g} Hz, the highest solved")
    k = 2.0 * np.pi * asked / speed_of_sound
    found = [radiated(each, k, cores=cores, progress=progress) for each in pistons]
    solved = min((each.wavenumber for each in found), key=len)
    known = asked[: solved.size]
    apart = [each.place - middle(pistons) for each in pistons]

    def far(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        unit = unit_vectors(off_axis, azimuth)
        total = np.zeros((known.size, len(unit)), dtype=np.complex128)
        for each, place in zip(found, apart, strict=True):
            total += each.far(unit)[: known.size] * np.exp(1j * np.outer(solved, unit @ place))
        return over(known, total / len(found), frequency)

    def near(frequency: FloatArray, place: FloatArray) -> ComplexArray:
        total = np.zeros((known.size, len(place)), dtype=np.complex128)
        for each, away in zip(found, apart, strict=True):
            total += each.pressure_at(place - away)[: known.size]
        return over(known, total / len(found), frequency)

    upright = all(each.is_upright for each in pistons)
    return Radiator(far, False, (0.0, float(known[-1])), speed_of_sound, near=near, upright=upright)


def step_of(driver: Radiator, frequency: FloatArray) -> BaffleStep | None:
    """The step of a cabinet as it was solved: what a way in its front has on axis, re an infinite baffle.

    frequency : (F,) Hz. None where these do not reach over the step: see `fitted`.
    """
    known = frequency[frequency <= driver.band[1] * (1 + 1e-9)]
    return fitted(known, amplitude_db(np.abs(driver.far(known, np.zeros(1), np.zeros(1))[:, 0])))


def alone_words(cabinet: AnyCabinet) -> str:
    """The cabinet alone, whatever sits in its front."""
    return cabinet.words.split(", the mouth")[0]
