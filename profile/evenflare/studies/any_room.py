"""A design in several rooms: the number in each, its mean, worst and spread, and which of two designs is evener."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.room.evenness import Balance
from evenflare.room.room import Room
from evenflare.studies.seats import DEVIATIONS, TwoBalances, two_balances
from evenflare.units import FloatArray


@dataclass(frozen=True)
class DesignInRooms:
    """A design in R rooms, one at least; `name` to `kept_out` as `seats.DesignInRoom` has them."""

    name: str
    design_id: str
    path: str
    filters: str
    rooms: tuple[Room, ...]
    balances: tuple[Balance, ...]
    unknown: tuple[tuple[float, ...], float] = ((), 0.0)
    kept_out: tuple[float, ...] = ()

    @property
    def numbers(self) -> FloatArray:
        """(R,) dB, see `room.evenness.Balance`; nan where nothing comes back."""
        return np.array([each.evenness for each in self.balances])

    @property
    def floors(self) -> FloatArray:
        """(R,) dB of an ideal omnidirectional source."""
        return np.array([each.floor for each in self.balances])

    @property
    def mean(self) -> float:
        """dB: what a target that names these rooms calls room_db; nan where nothing comes back in any."""
        return mean_of(self.numbers)

    @property
    def worst(self) -> int:
        """Index of the room with the greatest number."""
        return int(np.argmax(np.where(np.isfinite(self.numbers), self.numbers, -np.inf)))


def mean_of(numbers: FloatArray) -> float:
    """Mean over rooms of numbers (R,), those left out that are nan; nan of none."""
    known = numbers[np.isfinite(numbers)]
    return float(known.mean()) if known.size else float("nan")


def spread(numbers: FloatArray) -> float:
    """Standard deviation from room to room of numbers (R,), those left out that are nan; 0 of a single one."""
    known = numbers[np.isfinite(numbers)]
    return float(np.std(known, ddof=1)) if known.size > 1 else 0.0


@dataclass(frozen=True)
class TwoInRooms:
    """Two designs in the same rooms, where both play; rooms in which nothing comes back are left out."""

    rooms: tuple[TwoBalances, ...]

    @property
    def numbers(self) -> tuple[float, float]:
        """dB, mean over the rooms, of both."""
        first, second = np.mean([each.numbers for each in self.rooms], axis=0)
        return float(first), float(second)

    @property
    def differences(self) -> FloatArray:
        """(R,) dB, the first less the second: above 0 the second is evener."""
        return np.array([each.difference for each in self.rooms])

    @property
    def scatter(self) -> float:
        """dB, standard deviation of the mean difference over small moves of seats and source in every room."""
        return float(np.sqrt(np.sum([each.scatter**2 for each in self.rooms])) / len(self.rooms))

    @property
    def telling(self) -> bool:
        """Whether the mean difference is more than its scatter."""
        return bool(abs(self.differences.mean()) > DEVIATIONS * self.scatter)


def two_in_rooms(designs: Sequence[DesignInRooms]) -> TwoInRooms | None:
    """Both of two designs; None for another number of them, or where they have no room in common."""
    if len(designs) != 2:
        return None
    each = (two_balances(first, second) for first, second in zip(*(one.balances for one in designs), strict=True))
    found = tuple(one for one in each if one is not None)
    return TwoInRooms(found) if found else None
