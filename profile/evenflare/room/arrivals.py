"""What reaches a seat one after another: when, how loud, by which surfaces, leaving and coming from where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenflare.directivity.types import Directivity
from evenflare.room.images import Images, images
from evenflare.room.paths import LEAST_REFLECTED, gains, sent
from evenflare.room.pattern import over_frequency, relative_to_axis
from evenflare.room.room import SURFACES, Point, Room, absorption_at, air_attenuation, spoken_surface
from evenflare.units import ComplexArray, FloatArray, IntArray, read_only


@dataclass(frozen=True)
class Arrivals:
    """What reaches a point (I arrivals, the earliest first; the first is the direct sound), at F frequencies.

    frequency : (F,) Hz.
    delay     : (I,) s from when the source sounds.
    distance  : (I,) m along the way.
    order     : (I,) reflections; 0 is the direct sound.
    hits      : (I, 6) reflections from each surface, in the order of `room.SURFACES`.
    leaving   : (I, 3) unit vectors in the room: where the source sends it.
    off_axis, azimuth : (I,) rad, the same in the source's own directions: 0 to pi from its axis; 0 is to the right as
                seen by a listener who faces it, pi / 2 up.
    arriving  : (I, 3) unit vectors in the room: from the point to where the sound comes from.
    walls     : (I, F) what is left of the pressure by the reflections, 0 to 1, the product of sqrt(1 - absorption).
    air       : (I, F) what is left of it by the air, 0 to 1.
    pressure  : (I, F) Pa, complex: what the source sends there at 1 m, its phase re that of the axis, times walls and
                air, over the distance. Times exp(-2 pi j f delay) these are the parts of what `interference` adds
                up; the phase that all directions share, the axis's own, is left out.
    """

    frequency: FloatArray
    delay: FloatArray
    distance: FloatArray
    order: IntArray
    hits: IntArray
    leaving: FloatArray
    off_axis: FloatArray
    azimuth: FloatArray
    arriving: FloatArray
    walls: FloatArray
    air: FloatArray
    pressure: ComplexArray

    def __post_init__(self) -> None:
        for name in ("frequency", "delay", "distance", "leaving", "off_axis", "azimuth", "arriving", "walls", "air"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))
        for name in ("order", "hits"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.int64))
        object.__setattr__(self, "pressure", read_only(self.pressure, np.complex128))


def arrivals(
    room: Room, point: Point, directivity: Directivity, *, frequency: FloatArray, order: int | None = None
) -> Arrivals:
    """All that reaches a point (m) of a directivity at the room's source by up to `order` reflections (None: the
    room's), at `frequency` (F,) Hz. What comes later is the diffuse tail, see `room.tail_gain`.

    ValueError if the directivity leaves out part of the sphere or is valid nowhere.
    Source: Allen and Berkley (1979), eq. 8 to 10; pattern as `pattern.direction_weights`.
    """
    found = images(room, point, order=room.order if order is None else order)
    early = np.argsort(found.distance, kind="stable")
    found = Images(*(getattr(found, name)[early] for name in ("distance", "hits", "order", "direction", "arriving")))
    own = found.direction @ room.source.axes.T
    reflected = np.log(np.maximum(1.0 - absorption_at(room, frequency), LEAST_REFLECTED))
    return Arrivals(
        frequency=frequency,
        delay=found.distance / room.air.speed_of_sound,
        distance=found.distance,
        order=found.order,
        hits=found.hits,
        leaving=found.direction,
        off_axis=np.arccos(np.clip(own[:, 2], -1.0, 1.0)),
        azimuth=np.arctan2(own[:, 1], own[:, 0]),
        arriving=found.arriving,
        walls=np.exp(0.5 * found.hits @ reflected),
        air=np.exp(-0.5 * np.outer(found.distance, air_attenuation(room, frequency))),
        pressure=sounded(room, found, directivity, frequency).astype(np.complex128),
    )


def sounded(room: Room, found: Images, directivity: Directivity, frequency: FloatArray) -> NDArray[np.complex64]:
    """Pressure (I, F) Pa that each image brings at `frequency` (F,) Hz, without the phase of its way.

    Its mean square is interpolated as `pattern.direction_weights` says; its phase re the axis is that of the mean
    pressure with the same weights. What all directions share of the phase is left out. Between the directivity's
    frequencies, linear in log frequency.
    """
    weights = sent(room, found, directivity.observation).astype(np.float32)
    known = over_frequency(directivity, frequency)
    pressure = relative_to_axis(directivity)
    pressure = pressure.reshape(pressure.shape[0], -1)
    size = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=1, keepdims=True)) + 1e-300
    square = weights @ (known @ np.abs(pressure) ** 2).T.astype(np.float32)
    complex_mean = weights @ (known @ (pressure / size)).T.astype(np.complex64)
    length = np.abs(complex_mean)
    turn = np.where(length > 0.0, complex_mean / np.where(length > 0.0, length, 1.0), 1.0)
    return np.asarray(np.sqrt(square * gains(room, found, frequency)).astype(np.float32) * turn)


def way(room: Room, leaving: Sequence[float], distance: float) -> tuple[FloatArray, list[str]]:
    """Corners (K + 2, 3) m of the way of a sound from the source to where it ends, and the K surfaces that it meets.

    leaving : unit vector (3,) in the room, distance : m along the way, as `Arrivals` has them.
    """
    start, size = np.array(room.source.position), np.array(room.size)
    step = np.asarray(leaving) * distance
    met = []
    for axis in range(3):
        low, high = sorted((start[axis], start[axis] + step[axis]))
        for turn in range(int(np.ceil(low / size[axis])), int(np.floor(high / size[axis])) + 1):
            met.append(((turn * size[axis] - start[axis]) / step[axis], 2 * axis + turn % 2))
    met.sort()
    at = np.array([0.0, *(share for share, _ in met), 1.0])
    cell = (start + at[:, None] * step) / size
    # Folded as a mirror does: there and back within two sizes.
    folded = 1.0 - np.abs(np.mod(cell, 2.0) - 1.0)
    return folded * size, [SURFACES[surface] for _, surface in met]


def met_words(hits: Sequence[int]) -> str:
    """The surfaces of an arrival in words, from its (6,) reflections: "floor", "2 x ceiling and floor"."""
    named = {spoken_surface(name): int(count) for name, count in zip(SURFACES, hits, strict=True) if count}
    parts = [name if count == 1 else f"{count} x {name}" for name, count in named.items()]
    return " and ".join(parts) or "direct"
