"""Where people may sit or stand, what the ways send there, and where the ways cancel each other."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenflare.dsp.placing import UnfilteredWays, at_points
from evenflare.units import DEGREE, BoolArray, ComplexArray, FloatArray, amplitude_db

HEIGHTS, DISTANCES = 5, 3
"""Places over a range of heights, and of distances."""
TILT_WITHIN = 30.0
"""Degrees above and below the axis whose mean squares are held against each other: as far as lobes of two ways a third
of a wavelength to one wavelength apart reach. Source: own choice."""
NULL = -12.0
"""dB re the ways in phase, from which on their sum is called a null. Four times less than the ways could give together;
a Butterworth crossing of odd order loses 3 dB. Source: own choice."""


@dataclass(frozen=True)
class People:
    """What N ways without filters send to K places, and above and below the axis.

    places      : (K, 3) m right, up and forward of where the listening axis begins.
    pressure    : (N, F, K) Pa, the travel from there to each place taken out.
    above       : (F, N, N) mean of p_i conj(p_j) over the vertical angles to `TILT_WITHIN` above the axis.
    below       : the same below it.
    tilt_weight : of the tilt in the score.
    """

    places: FloatArray
    pressure: ComplexArray
    above: ComplexArray
    below: ComplexArray
    tilt_weight: float

    def kept(self, inside: BoolArray) -> People:
        """The same at some of the frequencies (F,) only."""
        return replace(self, pressure=self.pressure[:, inside], above=self.above[inside], below=self.below[inside])


@dataclass(frozen=True)
class Cancelled:
    """A null where people may be.

    frequency : Hz.
    depth     : dB re the ways in phase.
    place     : (right, up, forward) m; None on the axis.
    """

    frequency: float
    depth: float
    place: tuple[float, float, float] | None


def people(
    sounds: UnfilteredWays, *, heights: tuple[float, float], distances: tuple[float, float], tilt_weight: float = 0.5
) -> People:
    """People from the least to the greatest height (m above the axis) and distance (m forward).

    ValueError if a place is nearer than a driver is far from where the axis begins.
    """
    up = np.unique(np.linspace(*heights, HEIGHTS))
    ahead = np.unique(np.geomspace(*distances, DISTANCES))
    places = np.array([(0.0, height, distance) for distance, height in itertools.product(ahead, up)])
    farthest = max(float(np.linalg.norm(place)) for way in sounds.ways for place in way.positions)
    if not ahead[0] > farthest:
        raise ValueError(f"{ahead[0]:.3g} m lies among the drivers, which reach {farthest:.3g} m from the axis's begin")
    k = 2.0 * np.pi * sounds.frequency / sounds.speed_of_sound
    travel = np.exp(1j * np.outer(k, np.linalg.norm(places, axis=1)))
    sent = [at_points(way.driver, sounds.frequency, places, way.positions) for way in sounds.ways]
    pressure = np.array(sent) * travel * (sounds.boxes * sounds.ahead / sounds.taken)[:, :, None]
    angle = sounds.observation.off_axis / DEGREE
    upright = int(np.argmin(np.abs(sounds.observation.plane - 0.5 * np.pi)))
    forms = []
    for sign in (1.0, -1.0):
        seen = sounds.pressure[:, :, upright, (sign * angle > 1e-6) & (sign * angle < TILT_WITHIN + 1e-6)]
        forms.append(np.einsum("nfa,mfa->fnm", seen, seen.conj()) / seen.shape[-1])
    return People(places, pressure, forms[0], forms[1], tilt_weight)


def nearest_to_nothing(values: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Of neighbours (M, ...) the least size (M - 1, ...) on the straight line between them, and at which part of it.

    A size read at the neighbours alone says how near they happen to lie to a null, not how deep it is.
    """
    first, step = values[:-1], values[1:] - values[:-1]
    part = np.clip(-np.real(np.conj(step) * first) / np.maximum(np.abs(step) ** 2, 1e-300), 0.0, 1.0)
    return np.abs(first + part * step), part


def cancellations(
    sounds: UnfilteredWays, filters: ComplexArray, valid: BoolArray, heard_by: People
) -> tuple[Cancelled, ...]:
    """Nulls between the ways behind filters (N, F) on the axis, then at the places: the deepest of each band.

    Each is held against the ways in phase, so that what a way alone lacks is none.
    """
    axis = sounds.pressure[:, :, 0, int(np.argmin(np.abs(sounds.observation.off_axis)))]
    if not sounds.observation.far_field:
        k = 2.0 * np.pi * sounds.frequency / sounds.speed_of_sound
        axis = axis * np.exp(1j * k * sounds.observation.distance)
    found = _deepest(sounds.frequency, axis[:, :, None] * filters[:, :, None], valid, (None,))
    places: list[tuple[float, float, float]] = [(float(x), float(y), float(z)) for x, y, z in heard_by.places]
    return (*found, *_deepest(sounds.frequency, heard_by.pressure * filters[:, :, None], valid, places))


def _deepest(
    frequency: FloatArray,
    pressure: ComplexArray,
    valid: BoolArray,
    places: Sequence[tuple[float, float, float] | None],
) -> list[Cancelled]:
    """One for each run of neighbouring frequencies that has a null anywhere."""
    share = np.sum(pressure, axis=0) / np.maximum(np.sum(np.abs(pressure), axis=0), 1e-30)
    size, part = nearest_to_nothing(share)
    size[~(valid[:-1] & valid[1:])] = 1.0
    least = np.argmin(size, axis=1)
    level = amplitude_db(np.maximum(np.min(size, axis=1), 1e-6))
    rows = np.flatnonzero(level < NULL)
    found = []
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if rows.size else []:
        row = int(run[np.argmin(level[run])])
        between = float(part[row, least[row]])
        hertz = frequency[row] ** (1.0 - between) * frequency[row + 1] ** between
        found.append(Cancelled(float(hertz), float(level[row]), places[int(least[row])]))
    return found
