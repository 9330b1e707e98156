"""Ways in the faces of one cabinet: pistons, each heard with all that the box makes of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import unit_vectors
from evenflare.dsp.baffle_step import BaffleStep, fitted
from evenflare.dsp.drivers import Radiator, over
from evenflare.exterior.cabinets import Solved, top_wavenumber
from evenflare.exterior.pistons import Piston, PistonField, radiated
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
    return min(top_wavenumber(each.cabinet) for each in pistons) * speed_of_sound / (2.0 * np.pi)


@dataclass(frozen=True)
class WayOfPistons:
    """Equal pistons that share their signal, to be solved up to `top`, Hz."""

    pistons: Sequence[Piston]
    top: float


def solved(
    ways: Mapping[str, WayOfPistons],
    frequency: FloatArray,
    *,
    speed_of_sound: float,
    cores: int = 1,
    progress: Callable[[Solved], None] | None = None,
) -> dict[str, list[PistonField]]:
    """The pistons of each way, in one cabinet, at those of `frequency` (F,) Hz up to its top: what several ways ask for
    is solved once. ValueError, which names the way, if nothing of it can be.
    """
    pistons: list[Piston] = []
    asked: list[FloatArray] = []
    for name, way in ways.items():
        mine = frequency[frequency <= way.top * (1 + 1e-9)]
        if not mine.size:
            raise ValueError(f"{name}: the lowest frequency, {frequency[0]:.4g} Hz, is above {way.top:.4g} Hz")
        pistons += way.pistons
        asked += [2.0 * np.pi * mine / speed_of_sound] * len(way.pistons)
    found = iter(radiated(pistons, asked, cores=cores, progress=progress) if pistons else [])
    return {name: [next(found) for _ in way.pistons] for name, way in ways.items()}


def driver_of(found: Sequence[PistonField], *, speed_of_sound: float) -> Radiator:
    """A way of equal pistons that share its signal: their mean.

    Its point of reference is the `middle` of the pistons; each would make 1 Pa m far ahead of its face in a baffle.
    Between the frequencies the pressure is straight over log frequency.
    """
    pistons = [each.piston for each in found]
    wavenumber = found[0].wavenumber
    known = wavenumber * speed_of_sound / (2.0 * np.pi)
    apart = [each.place - middle(pistons) for each in pistons]

    def far(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        unit = unit_vectors(off_axis, azimuth)
        total = np.zeros((known.size, len(unit)), dtype=np.complex128)
        for each, place in zip(found, apart, strict=True):
            total += each.far(unit) * np.exp(1j * np.outer(wavenumber, unit @ place))
        return over(known, total / len(found), frequency)

    def near(frequency: FloatArray, place: FloatArray) -> ComplexArray:
        total = np.zeros((known.size, len(place)), dtype=np.complex128)
        for each, away in zip(found, apart, strict=True):
            total += each.pressure_at(place - away)
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
