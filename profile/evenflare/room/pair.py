"""Two equal loudspeakers that play the same: by how much the nearer and louder draws the image between them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.room.paths import counted_of, fine_bands, in_thirds, observed_bands
from evenflare.room.pattern import direction_weights, over_frequency, relative_to_axis
from evenflare.room.room import Room, SourcePose, air_attenuation
from evenflare.units import FloatArray, power_db

PER_DB, PER_MS = 0.078, 1.33
"""Share of the way from the middle to a loudspeaker by which an image goes, up to two thirds of it, where one is louder
by a dB or earlier by a millisecond. Source: H. Lee and F. Rumsey, J. Audio Eng. Soc. 61 (2013) 978, from memory, for
loudspeakers 60 degrees apart; level and time are taken to add.
"""
HOLDS = 1.0 / 3.0
"""Of the way, within which an image counts as in the middle. Own choice: 10 of 30 degrees."""
LOCATED = (500.0, 5000.0)
"""Hz, thirds over which level differences are averaged for an image. Own choice."""
QUIETEST = 1e-20
"""Pa^2, below which there is no sound."""
SPACING = 0.1
"""m between the points of the map."""


@dataclass(frozen=True)
class PairHeard:
    """The first loudspeaker against the second at points, (N,) or (N, B) in thirds with the midbands `frequency` Hz.

    level  : dB by which the first is louder, direct sound.
    later  : s by which the first arrives later.
    apart  : rad between both as seen from the point.
    """

    frequency: FloatArray
    level: FloatArray
    later: FloatArray
    apart: FloatArray

    @property
    def mean_level(self) -> FloatArray:
        """(N,) dB, mean of the level over the thirds of LOCATED that there are, or over all."""
        inside = counted_of(self.frequency, *LOCATED)
        return np.asarray(self.level[:, inside if inside.size else slice(None)].mean(axis=1))

    @property
    def shift(self) -> FloatArray:
        """(N,) how far the image goes from the middle to the first loudspeaker, 1; below 0 toward the second."""
        return np.asarray(np.clip(PER_DB * self.mean_level - PER_MS * 1e3 * self.later, -1.0, 1.0))


def pair_heard(room: Room, directivity: Directivity, points: FloatArray) -> PairHeard:
    """Both of a room's loudspeakers, which are alike, at `points` (N, 3) m. ValueError if the room has one only."""
    if room.second is None:
        raise ValueError("the room has one source only")
    thirds = observed_bands(directivity)
    ways = [_direct(room, source, directivity, points, thirds) for source in (room.source, room.second)]
    (first, one), (second, other) = ways
    cosine = np.einsum("ni,ni->n", one, other) / (np.linalg.norm(one, axis=1) * np.linalg.norm(other, axis=1))
    later = (np.linalg.norm(one, axis=1) - np.linalg.norm(other, axis=1)) / room.air.speed_of_sound
    # Behind a loudspeaker that sends nothing there, a level of nothing: both count as equally quiet.
    level = power_db(np.maximum(first, QUIETEST)) - power_db(np.maximum(second, QUIETEST))
    return PairHeard(thirds, level, later, np.arccos(np.clip(cosine, -1.0, 1.0)))


def _direct(
    room: Room, source: SourcePose, directivity: Directivity, points: FloatArray, thirds: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean square (N, B) of the direct sound, and the ways (N, 3) from the source."""
    way = points - np.array(source.position)
    distance = np.linalg.norm(way, axis=1)
    own = way @ source.axes.T / distance[:, None]
    off_axis = np.arccos(np.clip(own[:, 2], -1.0, 1.0))
    weights = direction_weights(directivity.observation, off_axis, np.arctan2(own[:, 1], own[:, 0]))
    fine = fine_bands(thirds)
    square = np.abs(relative_to_axis(directivity)) ** 2
    sending = over_frequency(directivity, fine) @ square.reshape(square.shape[0], -1)
    heard = weights.reshape(points.shape[0], -1) @ sending.T
    heard *= np.exp(-np.outer(distance, air_attenuation(room, fine))) / distance[:, None] ** 2
    return in_thirds(heard), way


def plan_points(room: Room, height: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points along x (X,) and y (Y,) m, SPACING apart, and all of them at `height` m as (Y X, 3)."""
    x, y = (np.arange(0.5 * SPACING, length, SPACING) for length in room.size[:2])
    grid = np.meshgrid(x, y)
    return x, y, np.stack([grid[0].ravel(), grid[1].ravel(), np.full(grid[0].size, height)], axis=1)


def turned_to_second(room: Room) -> Room:
    """The room with its second loudspeaker as the source. ValueError if it has one only."""
    if room.second is None:
        raise ValueError("the room has one source only")
    return replace(room, source=room.second, second=None)
