"""What each seat hears: direct, early and late sound, and the steady state in which all of it interferes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from evenflare.directivity.types import Directivity
from evenflare.metrics import sound_power, standard_curves
from evenflare.room.evenness import PLAYS, Balance, Band, balance, evenness_of
from evenflare.room.interference import interfering
from evenflare.room.paths import (
    PER_THIRD,
    Parts,
    check_free,
    counted_of,
    fine_bands,
    heard,
    in_thirds,
    observed_bands,
    paths,
)
from evenflare.room.pattern import over_frequency
from evenflare.room.reflections import SeatReflections, seat_reflections
from evenflare.room.room import Room, tail_gain
from evenflare.room.windows import TimeWindows, time_windows
from evenflare.units import REFERENCE_POWER, REFERENCE_PRESSURE, FloatArray, power_db

LEAST_JOINED = 1e-6
"""Of what the tail's formula gives for it, that the last order of images must bring to be held against it."""


@dataclass(frozen=True)
class Spectrum:
    """Levels at the seats, dB re 20 uPa, in bands with the midbands `frequency` (B,) Hz; (S, B) each.

    direct, early, late, reflected : see `paths.Parts`, each a sum of mean squares.
    steady                         : direct and early sound added as pressures, the tail by its mean square.
    """

    frequency: FloatArray
    direct: FloatArray
    early: FloatArray
    late: FloatArray
    reflected: FloatArray
    steady: FloatArray

    @property
    def direct_to_reverberant(self) -> FloatArray:
        """(S, B) dB: direct less reflected level."""
        return np.asarray(self.direct - self.reflected)


@dataclass(frozen=True)
class Unfiltered:
    """What `RoomResponse` holds under the same names, without the filter; the number of all counted thirds alike."""

    direct: FloatArray
    first: FloatArray
    power: FloatArray
    evenness: float


@dataclass(frozen=True)
class RoomResponse:
    """A directivity in a room.

    fine, thirds : in 24ths and in thirds of an octave; a third's mean square is that of its eight 24ths.
    filter_db    : (B,) level of the filter itself in the thirds; 0 without one. All levels are behind the filter.
    in_room      : (B,) dB, the standard's estimated in-room response in the thirds, with the filter; at the
                   directivity's distance, so that its shape alone says something here.
    first        : (B,) dB, mean over the seats of the six first reflections, one from each surface, with the filter.
    power        : (B,) dB re 1 pW, sound power with the filter.
    balance      : reflected less direct level where the source plays, and the number that it comes to.
    windows      : by time after the direct sound.
    reflections  : of each seat, the first ones.
    unfiltered   : what the filter changes.
    join_db      : by how much the last order of images lies above what the tail's formula gives for it, the mean over
                   seats and counted bands: 0 where they join without a step. None where it brings next to nothing.
    """

    room: Room
    fine: Spectrum
    thirds: Spectrum
    filter_db: FloatArray
    in_room: FloatArray
    first: FloatArray
    power: FloatArray
    balance: Balance
    windows: TimeWindows
    reflections: tuple[SeatReflections, ...]
    unfiltered: Unfiltered
    join_db: float | None

    @property
    def evenness(self) -> float:
        """dB, see `evenness.Balance`."""
        return self.balance.evenness

    @property
    def counted(self) -> slice:
        """Those of the thirds that may count: what is observed of 200 Hz to 16 kHz."""
        return _counted(self.thirds.frequency)

    @property
    def departure(self) -> FloatArray:
        """(B,) dB: mean over the seats of the steady state less the standard's estimate, each less its own mean.

        Where it is not 0, this room and the estimate part.
        """
        return np.asarray(self.centred(self.thirds.steady).mean(axis=0) - self.centred(self.in_room))

    @property
    def direct(self) -> FloatArray:
        """(B,) dB: mean square over the seats of the direct sound."""
        return _over_seats(self.thirds.direct)

    @property
    def spread(self) -> FloatArray:
        """(B,) dB: standard deviation over the seats of the steady state less each seat's mean."""
        return np.asarray(self.centred(self.thirds.steady).std(axis=0))

    def centred(self, level: FloatArray) -> FloatArray:
        """Levels (..., B) in the thirds less their `mean`."""
        return np.asarray(level - self.mean(level)[..., None])

    def mean(self, level: FloatArray) -> FloatArray:
        """Mean (...) of levels (..., B) in the thirds, by what each counts for the balance."""
        return np.asarray(np.average(level, axis=-1, weights=self.balance.weight))


def respond(
    room: Room, directivity: Directivity, *, filtering: FloatArray | None = None, plays: Band = PLAYS
) -> RoomResponse:
    """What the seats hear of a directivity, through a filter if one is given.

    filtering : (8 B,) squared magnitude of the filter's response at `fine_bands(observed_bands(directivity))`.
    plays     : Hz, from and to where it plays; what lies outside does not count for its balance.
    ValueError as `evenness.balance` and `metrics.standard_curves`.
    """
    check_free(directivity)
    thirds = observed_bands(directivity)
    fine, counted = fine_bands(thirds), _counted(thirds)
    found = balance(room, directivity, filtering=filtering, plays=plays)
    windows = time_windows(room, directivity, filtering=filtering)
    reflections = tuple(seat_reflections(room, seat.position, directivity, within=found) for seat in room.seats)
    filtering = np.ones(fine.size) if filtering is None else filtering
    # Two threads spend twice the processor's time on these, and gain next to nothing.
    with threadpool_limits(1):
        parts = heard(paths(room, directivity.observation, thirds), directivity)
        together = [interfering(room, directivity, seat.position, fine) for seat in room.seats]
    squares = {
        "direct": parts.direct,
        "early": parts.early,
        "late": parts.late,
        "reflected": parts.reflected,
        "steady": np.array(together) + parts.late,
    }
    once = paths(replace(room, order=1), directivity.observation, thirds)
    first = heard(once, directivity).early.mean(axis=0) / REFERENCE_PRESSURE**2
    known = over_frequency(directivity, fine)
    in_room = known @ 10.0 ** (0.1 * standard_curves(directivity).in_room)
    power = known @ sound_power(directivity) / REFERENCE_POWER

    def level(square: FloatArray) -> FloatArray:
        return power_db(square / REFERENCE_PRESSURE**2)

    plain = level(in_thirds(parts.reflected)) - level(in_thirds(parts.direct))
    return RoomResponse(
        room=room,
        fine=Spectrum(fine, **{name: level(square * filtering) for name, square in squares.items()}),
        thirds=Spectrum(thirds, **{name: level(in_thirds(square * filtering)) for name, square in squares.items()}),
        filter_db=power_db(in_thirds(filtering)),
        in_room=power_db(in_thirds(in_room * filtering)),
        first=power_db(in_thirds(first * filtering)),
        power=power_db(in_thirds(power * filtering)),
        balance=found,
        windows=windows,
        reflections=reflections,
        unfiltered=Unfiltered(
            _over_seats(level(in_thirds(parts.direct))),
            power_db(in_thirds(first)),
            power_db(in_thirds(power)),
            float(evenness_of(plain[:, counted], np.ones(counted.stop - counted.start))),
        ),
        join_db=_join(room, parts, fine, slice(counted.start * PER_THIRD, counted.stop * PER_THIRD)),
    )


def _over_seats(level: FloatArray) -> FloatArray:
    """Level (B,) dB of the mean square over the seats of levels (S, B)."""
    return power_db(np.mean(10.0 ** (0.1 * level), axis=0))


def _counted(thirds: FloatArray) -> slice:
    index = counted_of(thirds)
    return slice(int(index[0]), int(index[-1]) + 1)


def _join(room: Room, parts: Parts, fine: FloatArray, counted: slice) -> float | None:
    if room.order == 0:
        return None
    tail = tail_gain(room, fine, order=room.order)
    with np.errstate(divide="ignore", invalid="ignore"):
        formula = parts.late[0] * (tail_gain(room, fine, order=room.order - 1) / tail - 1.0)
        share = (parts.last.mean(axis=0) / formula)[counted]
    return float(power_db(share).mean()) if np.all(share > LEAST_JOINED) else None
