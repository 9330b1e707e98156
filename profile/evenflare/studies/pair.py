"""Where the image between two loudspeakers holds: at the seats, and over the plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.room.pair import HOLDS, SPACING, PairHeard, pair_heard, plan_points
from evenflare.room.room import Room
from evenflare.units import FloatArray

NEAREST = 0.5
"""m around a loudspeaker that a map leaves out."""


@dataclass(frozen=True)
class PairInRoom:
    """A pair in a room.

    seats  : what each seat hears of both.
    x, y   : (X,), (Y,) m of the map.
    shift  : (Y, X) of the image at the height of the seats' mean, as `PairHeard.shift`; nan close to a loudspeaker.
    """

    room: Room
    seats: PairHeard
    x: FloatArray
    y: FloatArray
    shift: FloatArray

    @property
    def holds(self) -> list[bool]:
        """By seat: whether the image stays in the middle third."""
        return [bool(abs(each) <= HOLDS) for each in self.seats.shift]

    @property
    def area(self) -> float:
        """m2 of the plan where it does."""
        with np.errstate(invalid="ignore"):
            return float(np.count_nonzero(np.abs(self.shift) <= HOLDS) * SPACING**2)


def pair_in_room(room: Room, directivity: Directivity) -> PairInRoom:
    """Both loudspeakers of a room. ValueError as `pair_heard`."""
    places = np.array([seat.position for seat in room.seats])
    x, y, points = plan_points(room, float(places[:, 2].mean()))
    shift = pair_heard(room, directivity, points).shift
    for source in (room.source, room.second):
        if source is not None:
            shift = np.where(np.linalg.norm(points[:, :2] - source.position[:2], axis=1) < NEAREST, np.nan, shift)
    return PairInRoom(room, pair_heard(room, directivity, places), x, y, shift.reshape(y.size, x.size))
