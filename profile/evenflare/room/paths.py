"""What a room does to a directivity, worked out once: the mean square of every part at every seat is linear in it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenflare.bands import OCTAVE, midbands
from evenflare.directivity.types import Directivity, Observation, Symmetry
from evenflare.metrics import sound_power
from evenflare.room.images import Images, images
from evenflare.room.pattern import direction_weights, over_frequency, relative_to_axis
from evenflare.room.room import Room, absorption_at, air_attenuation, tail_gain
from evenflare.units import BoolArray, FloatArray, IntArray, read_only

FINE = 24
"""Bands of an octave in which sound is worked out; `PER_THIRD` of them make a third of an octave."""
PER_THIRD = FINE // 3
LOWEST, HIGHEST = 200.0, 16000.0
"""Hz, the nominal third-octave bands over which evenness counts."""
SLACK = 2.0 ** (1.0 / 12.0)
"""A band whose middle lies so little beyond what was observed is still read: 200 Hz is nominal for 199.5."""
AUDIBLE = (20.0, 20e3)
"""Hz, the outermost nominal bands that are read."""
LEAST_COUNTED = 6
"""Bands, of those that count, that a directivity must cover."""
WIDER = (
    f"Solve it with [analysis] from_hz = {LOWEST:g} and to_hz = {AUDIBLE[1]:g}, or measure it with a longer gate, or"
    " join it to its woofer first"
)
"""What helps where a directivity does not cover enough."""
LEAST_REFLECTED = 1e-30
"""Of the power; what a surface reflects that absorbs all."""


@dataclass(frozen=True)
class Parts:
    """Mean square at each seat by its way there, (S, B) in Pa^2; the bands are those asked for.

    direct : from the source itself.
    early  : by image sources, of order 1 to the room's.
    late   : the diffuse tail.
    last   : that of the highest order of images, which is part of `early`.
    """

    direct: FloatArray
    early: FloatArray
    late: FloatArray
    last: FloatArray

    @property
    def reflected(self) -> FloatArray:
        """All but the direct sound."""
        return self.early + self.late


@dataclass(frozen=True)
class Paths:
    """A room as seen by directivities observed in the same directions: weights of their mean squares at 1 m.

    frequency           : (B,) Hz.
    direct, early, last : (S, B, P A), see `Parts`.
    late                : (S, B) of the mean over the sphere.
    """

    frequency: FloatArray
    direct: FloatArray
    early: FloatArray
    last: FloatArray
    late: FloatArray


def counted_bands() -> FloatArray:
    """Midbands, Hz, of the thirds of an octave over which evenness counts, 200 Hz to 16 kHz. IEC 61260-1:2014."""
    return midbands(3, lowest=LOWEST / SLACK, highest=HIGHEST * SLACK)


def observed_bands(directivity: Directivity) -> FloatArray:
    """Midbands, Hz, of the thirds of an octave that the valid part of a directivity covers, within 20 Hz to 20 kHz.

    ValueError as `covers`.
    """
    low, high = covers(directivity)
    return midbands(3, lowest=max(low, AUDIBLE[0]) / SLACK, highest=min(high, AUDIBLE[1]) * SLACK)


def covers(directivity: Directivity) -> tuple[float, float]:
    """First and last valid frequency, Hz. ValueError if there is a gap between, or less than two octaves counted."""
    found = directivity.observation.frequency[directivity.valid]
    reach = f"{found[0]:.4g} to {found[-1]:.4g} Hz" if found.size else "nowhere"
    if not found.size or counted_of(counted_bands(), found[0], found[-1]).size < LEAST_COUNTED:
        raise ValueError(
            f"the directivity is valid from {reach}: must cover two octaves at least between {LOWEST:g} and"
            f" {HIGHEST:g} Hz. {WIDER}"
        )
    widest = int(np.argmax(np.diff(np.log(found))))
    if found[widest + 1] > found[widest] * 2.0**0.5 * SLACK:
        raise ValueError(
            f"the directivity is not valid between {found[widest]:.4g} and {found[widest + 1]:.4g} Hz: must have a"
            " valid frequency in each half octave. Solve it at the setting full, at more frequencies"
        )
    return float(found[0]), float(found[-1])


def counted_of(thirds: FloatArray, low: float = LOWEST, high: float = HIGHEST) -> IntArray:
    """Which of the thirds of an octave (B,) Hz lie from `low` to `high` Hz, their nominal ends included."""
    return np.flatnonzero((thirds > low / SLACK) & (thirds < high * SLACK))


def fine_bands(thirds: FloatArray) -> FloatArray:
    """(B PER_THIRD,) Hz: midbands of the 24ths of an octave that make up thirds with the midbands (B,)."""
    step = (np.arange(PER_THIRD) - 0.5 * (PER_THIRD - 1)) / FINE
    return np.asarray((thirds[:, None] * OCTAVE**step).ravel())


def in_thirds(fine: FloatArray) -> FloatArray:
    """Mean squares (..., B PER_THIRD) of 24ths of an octave as the mean squares (..., B) of the thirds they make up.

    Of a spectrum with equal power in each of the eight.
    """
    return np.asarray(fine.reshape(*fine.shape[:-1], -1, PER_THIRD).mean(axis=-1))


def gains(room: Room, found: Images, frequency: FloatArray) -> FloatArray:
    """Mean square (I, B) that each image brings, over what it sends at 1 m.

    Each reflection leaves sqrt(1 - absorption) of the pressure, with no change of phase; the air takes its part.
    Source: Allen and Berkley (1979), eq. 8 and 10; air: ISO 9613-1:1993.
    """
    reflected = np.log(np.maximum(1.0 - absorption_at(room, frequency), LEAST_REFLECTED))
    loss = found.hits @ reflected - np.outer(found.distance, air_attenuation(room, frequency))
    return np.asarray(np.exp(loss) / found.distance[:, None] ** 2)


def sent(room: Room, found: Images, observation: Observation) -> FloatArray:
    """Weights (I, P A) by which the mean square that each image sends follows from the observed ones."""
    own = found.direction @ room.source.axes.T
    off_axis = np.arccos(np.clip(own[:, 2], -1.0, 1.0))
    weights = direction_weights(observation, off_axis, np.arctan2(own[:, 1], own[:, 0]))
    return weights.reshape(found.distance.size, -1)


def paths(room: Room, observation: Observation, thirds: FloatArray) -> Paths:
    """The room for all directivities observed in these directions, in the 24ths of the thirds of an octave asked for.

    Kept: what is asked again costs nothing. ValueError if the observation leaves out part of the sphere.
    """
    return _kept(room, *_directions(observation), tuple(thirds.tolist()))


def stacked(rooms: tuple[Room, ...], observation: Observation, thirds: FloatArray) -> Paths:
    """The same of several rooms as if they were one, with the seats of the first, then of the second, and so on."""
    return _kept_stacked(rooms, *_directions(observation), tuple(thirds.tolist()))


def _directions(observation: Observation) -> tuple[Symmetry, tuple[float, ...], tuple[float, ...]]:
    return observation.symmetry, tuple(observation.off_axis.tolist()), tuple(observation.plane.tolist())


@lru_cache(maxsize=8)
def _kept(
    room: Room, symmetry: Symmetry, off_axis: tuple[float, ...], plane: tuple[float, ...], thirds: tuple[float, ...]
) -> Paths:
    observation = Observation(np.ones(1), np.array(off_axis), np.array(plane), symmetry=symmetry)
    return worked_out(room, observation, np.array(thirds))


@lru_cache(maxsize=2)
def _kept_stacked(
    rooms: tuple[Room, ...],
    symmetry: Symmetry,
    off_axis: tuple[float, ...],
    plane: tuple[float, ...],
    thirds: tuple[float, ...],
) -> Paths:
    observation = Observation(np.ones(1), np.array(off_axis), np.array(plane), symmetry=symmetry)
    each = [worked_out(room, observation, np.array(thirds)) for room in rooms]
    parts = (np.concatenate([getattr(one, name) for one in each]) for name in ("direct", "early", "last", "late"))
    return Paths(each[0].frequency, *map(read_only, parts))


def worked_out(room: Room, observation: Observation, thirds: FloatArray) -> Paths:
    """As `paths`, worked out now and not kept."""
    frequency = fine_bands(thirds)
    parts: list[list[FloatArray]] = []
    for seat in room.seats:
        found = images(room, seat.position, order=room.order)
        gain, weights = gains(room, found, frequency), sent(room, found, observation)

        def sums(chosen: BoolArray, gain: FloatArray = gain, weights: FloatArray = weights) -> FloatArray:
            return np.asarray(gain[chosen].T @ weights[chosen])

        at_last = (found.order == room.order) & (found.order > 0)
        last = sums(at_last)
        parts.append([sums(found.order == 0), sums((found.order > 0) & ~at_last) + last, last])
    direct, early, last = (read_only(np.stack(each)) for each in zip(*parts, strict=True))
    late = read_only(np.tile(tail_gain(room, frequency, order=room.order), (len(room.seats), 1)))
    return Paths(read_only(frequency), direct, early, last, late)


def heard(found: Paths, directivity: Directivity) -> Parts:
    """What the seats hear of a directivity, in 24ths of an octave. ValueError if it is of a half space."""
    sending, mean = sending_of(found, directivity)
    direct, early, last = (
        np.einsum("sba,ba->sb", weights, sending) for weights in (found.direct, found.early, found.last)
    )
    return Parts(direct, early, found.late * mean, last)


def direct_and_reflected(found: Paths, directivity: Directivity) -> tuple[FloatArray, FloatArray]:
    """Mean squares (S, B) as `heard` has them, and nothing besides: what a search asks for every candidate."""
    sending, mean = sending_of(found, directivity)
    direct, early = (np.einsum("sba,ba->sb", weights, sending) for weights in (found.direct, found.early))
    return direct, early + found.late * mean


def sending_of(found: Paths, directivity: Directivity) -> tuple[FloatArray, FloatArray]:
    """Mean square at 1 m that a directivity sends in each of its directions, (B, P A), and on the mean sphere, (B,)."""
    check_free(directivity)
    known = over_frequency(directivity, found.frequency)
    square = np.abs(relative_to_axis(directivity)) ** 2
    # As a mean square at 1 m, so that air of another density at the measurement does not count.
    mean = sound_power(directivity) * directivity.density * directivity.speed_of_sound / (4.0 * np.pi)
    return known @ square.reshape(square.shape[0], -1), known @ mean


def check_free(directivity: Directivity) -> None:
    """ValueError for the sound of a waveguide in an infinite baffle, which no room can hold."""
    if directivity.half_space:
        raise ValueError(
            "the directivity is that of a waveguide in an infinite baffle, which sends nothing behind it: must be that"
            ' of a body that stands in the room. Solve it with [mounting] kind = "cabinet" (width_mm,'
            ' height_mm, depth_mm), "free_standing" (for instance outline = "round_cabinet") or "sphere"'
        )
