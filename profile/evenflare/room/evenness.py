"""How far reflected and direct sound differ in balance, where a loudspeaker plays: a number, its floor, its scatter."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.room.paths import (
    HIGHEST,
    LEAST_COUNTED,
    LOWEST,
    Parts,
    Paths,
    counted_bands,
    counted_of,
    direct_and_reflected,
    fine_bands,
    heard,
    in_thirds,
    observed_bands,
    paths,
    stacked,
    worked_out,
)
from evenflare.room.room import Point, Room, Seat
from evenflare.units import FloatArray, power_db, read_only

Band = tuple[float, float]
"""Hz, lowest and highest."""
PLAYS: Band = (LOWEST, HIGHEST)
"""Where a loudspeaker is taken to play of which nothing else is known."""
FULL_WITHIN = 6.0
"""dB under the loudest third, down to which a third counts in full; below that it counts by its power: own choice."""
NOTHING = -90.0
"""dB re the direct sound, of reflected sound below which none comes back."""
MOVES, MOVED_BY = 13, 0.05
"""Small moves of every seat and the source, each by so many m, over which the number's scatter is taken; a prime, so
that seats and source, 13 at most, each move in another order. As far as a head moves in a seat: own choice."""
MOVED_ORDER = 3
"""Reflections up to which what moves is worked out anew; later sound changes little over so short a way."""
SILENT = 1e-300
"""Pa^2."""


@dataclass(frozen=True)
class Balance:
    """Reflected less direct level of a source at the seats of a room, in B thirds of an octave, filters included.

    thirds   : (B,) Hz, midbands, all that are observed.
    weight   : (B,) 0 to 1, by what is radiated; 0 outside 200 Hz to 16 kHz and where the source does not play.
    radiated : (B,) dB, direct sound's mean square over the seats re its loudest third that may count.
    level    : (S, B) dB.
    omni     : (S, B) dB, the same of an ideal omnidirectional source in the same place.
    moved    : (M, S, B) dB, with seats and source moved a little.
    """

    thirds: FloatArray
    weight: FloatArray
    radiated: FloatArray
    level: FloatArray
    omni: FloatArray
    moved: FloatArray

    def __post_init__(self) -> None:
        for name in ("thirds", "weight", "radiated", "level", "omni", "moved"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))

    @property
    def evenness(self) -> float:
        """dB, see `evenness_of`; nan where nothing comes back."""
        return float(evenness_of(self.level, self.weight))

    @property
    def floor(self) -> float:
        """dB, the same of the omnidirectional source: the room's own, since its surfaces absorb by frequency."""
        return float(evenness_of(self.omni, self.weight))

    @property
    def scatter(self) -> float:
        """dB, standard deviation of the number over the moves."""
        return float(np.std(evenness_of(self.moved, self.weight), ddof=1))

    @property
    def by_seat(self) -> FloatArray:
        """(S,) dB: the part of each seat, whose mean square makes up that of `evenness`."""
        return np.array([evenness_of(self.level[[seat]], self.weight) for seat in range(self.level.shape[0])])


def evenness_of(level: FloatArray, weight: FloatArray) -> FloatArray:
    """The number (...) dB of reflected less direct levels (..., S, B) dB: 0 where all reflected sound has its balance.

    Root of the mean square over seats and thirds of the level about each seat's mean, all means weighted by third.
    Thirds of a seat in which nothing comes back are left out; nan where none is left.
    Source: own choice.
    """
    counted = np.where(level > NOTHING, weight, 0.0)
    total = counted.sum(axis=-1, keepdims=True)
    share = np.divide(counted, total, out=np.zeros_like(counted), where=total > 0.0)
    mean = np.sum(share * level, axis=-1, keepdims=True)
    square = np.sum(share * (level - mean) ** 2, axis=-1)
    seats = np.count_nonzero(total[..., 0] > 0.0, axis=-1)
    return np.asarray(np.sqrt(square.sum(axis=-1) / np.where(seats > 0, seats, np.nan)))


def balance(
    room: Room, directivity: Directivity, *, filtering: FloatArray | None = None, plays: Band = PLAYS
) -> Balance:
    """How reflected and direct sound stand to each other at the seats.

    filtering : (8 B,) squared magnitude of the filter's response at `fine_bands(observed_bands(directivity))`; with
                it a third counts by what is left of the direct sound, without it every third counts alike, as behind
                an equaliser that makes the direct sound even.
    plays     : Hz, from and to where the source plays; what lies outside does not count.
    ValueError as `observed_bands` and `heard`, and if less than two octaves are left to count.
    """
    thirds = observed_bands(directivity)
    may_count = np.zeros(thirds.size)
    may_count[counted_of(thirds)] = 1.0
    gain = np.ones(fine_bands(thirds).size) if filtering is None else filtering

    def level(direct: FloatArray, reflected: FloatArray) -> FloatArray:
        direct, reflected = (np.maximum(in_thirds(square * gain), SILENT) for square in (direct, reflected))
        return 10.0 * np.log10(reflected / direct)

    found = paths(room, directivity.observation, thirds)
    parts = heard(found, directivity)
    direct = np.maximum(in_thirds(parts.direct * gain).mean(axis=0), SILENT)
    radiated = power_db(direct / np.max(direct * may_count))
    weight = may_count if filtering is None else may_count * by_power(radiated)
    within = np.zeros(thirds.size)
    within[counted_of(thirds, *plays)] = 1.0
    if np.count_nonzero(may_count * within) < LEAST_COUNTED:
        raise ValueError(
            f"{np.count_nonzero(may_count * within)} thirds of an octave are valid where it plays, {plays[0]:g} to"
            f" {plays[1]:g} Hz: must be {LEAST_COUNTED} at least, two octaves. Widen the band, or solve it at more"
            " frequencies"
        )
    moved = [level(*each) for each in _moved_squares(room, directivity, thirds, parts)]
    own, omni = level(parts.direct, parts.reflected), level(*_omni(found))
    return Balance(thirds, weight * within, radiated, own, omni, np.array(moved))


def by_power(radiated: FloatArray) -> FloatArray:
    """Weights, 0 to 1, of thirds that lie so many dB re the loudest: 1 within FULL_WITHIN, below that by power."""
    return np.asarray(np.minimum(1.0, 10.0 ** (0.1 * (radiated + FULL_WITHIN))))


def evenness_db(rooms: Sequence[Room], directivity: Directivity, *, plays: Band = PLAYS) -> FloatArray:
    """The number (R,) dB of each room, without filters: as `balance`, but for moves and floor, all rooms at once.

    What is asked of the same rooms again costs milliseconds. Thirds that no valid frequency covers do not count; in
    between, frequencies that are not valid are taken as their neighbours. ValueError as `heard`, if the directivity
    leaves out part of the sphere, or if no third is valid where the source plays.
    """
    thirds, valid = counted_bands(), directivity.observation.frequency[directivity.valid]
    weight = np.zeros(thirds.size)
    if valid.size:
        weight[np.intersect1d(counted_of(thirds, valid[0], valid[-1]), counted_of(thirds, *plays))] = 1.0
    if not weight.any():
        raise ValueError(f"no third of an octave is valid from {plays[0]:g} to {plays[1]:g} Hz, where it plays")
    squares = direct_and_reflected(stacked(tuple(rooms), directivity.observation, thirds), directivity)
    direct, reflected = (np.maximum(in_thirds(each), SILENT) for each in squares)
    ends = np.cumsum([len(room.seats) for room in rooms])[:-1]
    levels = np.split(10.0 * np.log10(reflected / direct), ends)
    return np.array([evenness_of(level, weight) for level in levels])


def missing(
    found: Balance, *, plays: Band, gain: Callable[[FloatArray], FloatArray] | None
) -> tuple[FloatArray, float]:
    """Thirds (K,) Hz from 200 Hz to 16 kHz that are not observed though the source plays there, and what they weigh.

    gain : squared magnitude of the filter at a frequency (F,) Hz, or None. The direct sound before the filter is
           taken as at the nearest third that is observed.
    The second value is their share, 0 to 1, of all that would count.
    """
    thirds = counted_bands()
    thirds = thirds[counted_of(thirds, *plays)]
    lacking = thirds[~np.isin(np.round(10.0 * np.log10(thirds)), np.round(10.0 * np.log10(found.thirds)))]
    if not lacking.size:
        return lacking, 0.0
    weight = np.ones(lacking.size)
    if gain is not None:
        nearest = np.abs(np.log(lacking[:, None] / found.thirds)).argmin(axis=1)
        change = np.maximum(gain(lacking), SILENT) / np.maximum(gain(found.thirds[nearest]), SILENT)
        weight = by_power(found.radiated[nearest] + power_db(change))
    return lacking, float(weight.sum() / (weight.sum() + found.weight.sum()))


def _omni(found: Paths) -> tuple[FloatArray, FloatArray]:
    """Direct and reflected mean square (S, B) of a source that sends 1 Pa at 1 m everywhere."""
    return found.direct.sum(axis=-1), found.early.sum(axis=-1) + found.late


def _moved_squares(
    room: Room, directivity: Directivity, thirds: FloatArray, parts: Parts
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Direct and reflected mean square (S, B) after each of the moves."""
    near = replace(room, order=min(room.order, MOVED_ORDER))
    later = parts.reflected - heard(worked_out(near, directivity.observation, thirds), directivity).early
    for each in moved_rooms(near):
        found = heard(worked_out(each, directivity.observation, thirds), directivity)
        yield found.direct, later + found.early


def moved_rooms(room: Room) -> Iterator[Room]:
    """The room with its seats and its source moved by MOVED_BY, each in a direction of its own, MOVES times.

    The directions are spread evenly over the sphere, along a spiral whose turns advance by the golden angle (common
    practice); a move that would lead through a wall goes the other way along that axis.
    """
    height = 1.0 - (2.0 * np.arange(MOVES) + 1.0) / MOVES
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(MOVES)
    flat = np.sqrt(1.0 - height**2)
    direction = MOVED_BY * np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)

    def moved(at: Point, by: FloatArray) -> Point:
        inside = [0.0 < place + step < size for place, step, size in zip(at, by, room.size, strict=True)]
        x, y, z = np.array(at) + np.where(inside, by, -by)
        return float(x), float(y), float(z)

    for move in range(MOVES):
        steps = [direction[(move * (1 + place % (MOVES - 1)) + place) % MOVES] for place in range(1 + len(room.seats))]
        source = replace(room.source, position=moved(room.source.position, steps[0]))
        seats = tuple(Seat(seat.name, moved(seat.position, by)) for seat, by in zip(room.seats, steps[1:], strict=True))
        yield replace(room, source=source, seats=seats)
