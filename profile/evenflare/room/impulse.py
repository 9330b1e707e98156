"""Impulse responses at a seat: source and images with their phases, then a tail of noise that decays as it should."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.bands import OCTAVE, band_edges, midbands
from evenflare.directivity.types import Directivity
from evenflare.room.arrivals import sounded
from evenflare.room.head import ear, ears_toward
from evenflare.room.images import images
from evenflare.room.interference import added, band_means
from evenflare.room.paths import AUDIBLE, fine_bands, heard, in_thirds, paths
from evenflare.room.room import Point, Room, reverberation_time
from evenflare.units import ComplexArray, FloatArray

ONSET = 0.005
"""s over which the tail sets in. Own choice."""
LONGEST = 4.0
"""s, after which an impulse response is cut, whatever the room."""
SCALED = 12
"""Times that the tail is scaled toward the wanted mean squares, each over all thirds."""
TAIL_BANDS = midbands(3, lowest=AUDIBLE[0], highest=AUDIBLE[1])


@dataclass(frozen=True)
class RoomImpulse:
    """What reaches one seat of an impulse, as spectra (C, K) in Pa at K = N/2 + 1 even steps; C is 1, or 2 ears.

    direct, reflected : the source alone; images and tail.
    sample_rate, count: Hz, and samples N that the spectra stand for.
    """

    direct: ComplexArray
    reflected: ComplexArray
    sample_rate: float
    count: int

    @property
    def whole(self) -> ComplexArray:
        """All of it."""
        return np.asarray(self.direct + self.reflected)


def length_of(room: Room, *, sample_rate: float) -> int:
    """Samples in which the slowest third has decayed by 60 dB after the last images; LONGEST at most."""
    travel = (room.order + 0.5) * room.mean_free_path / room.air.speed_of_sound
    far = max(
        float(images(room, seat.position, order=room.order).distance.max()) / room.air.speed_of_sound
        for seat in room.seats
    )
    slow = float(np.min([reverberation_time(room, TAIL_BANDS).max(), LONGEST]))
    return 2 * int(np.ceil(0.5 * sample_rate * min(max(far, travel + slow) + ONSET, LONGEST)))


def impulse(
    room: Room,
    directivity: Directivity,
    point: Point,
    *,
    sample_rate: float,
    count: int,
    facing: Point | None,
    seed: int,
) -> RoomImpulse:
    """The impulse response at a point (m), of the directivity as it is, its on-axis phase taken out.

    count    : samples, even.
    facing   : for the ears, left first, of a spherical head that faces this point (m); else the pressure at the point.
    seed     : of the tail's noise.
    The mean square of the whole in each third of an octave that the directivity covers is that of source and images
    added as pressures, and the tail's (`paths.heard`): the noise is scaled so.
    ValueError as `paths.heard`. Source of the tail's decay: `room.decay`; of its coherence between the ears: the
    diffuse field on the sphere.
    """
    fine = fine_bands(TAIL_BANDS)
    step, size = sample_rate / count, count // 2 + 1
    found = images(room, point, order=room.order)
    delay = found.distance / room.air.speed_of_sound
    spectra = sounded(room, found, directivity, fine).astype(np.complex128)
    late = heard(paths(room, directivity.observation, TAIL_BANDS), directivity).late[0]
    noises = [
        _tail(room, sample_rate=sample_rate, count=count, seed=seed + extra)
        for extra in range(1 if facing is None else 2)
    ]
    frequency = step * np.arange(size)
    if facing is not None:
        one = ear(fine, room.air)
        shared = np.interp(frequency, fine, one.coherence)
        noises[1] = shared * noises[0] + np.sqrt(1.0 - shared**2) * noises[1]
        cosines = [found.arriving @ side for side in ears_toward(np.subtract(facing, point))]
        ears = [one.heard(cosine) for cosine in cosines]
        wanted = late * one.diffuse
    else:
        ears, wanted = [(np.ones((1, 1), dtype=np.complex128), np.zeros(delay.size))], late
    direct, reflected = [], []
    for (own, later), noise in zip(ears, noises, strict=True):
        parts = spectra * own
        sums = [
            added(delay[chosen] + later[chosen], parts[chosen], fine, step=step, count=size)
            for chosen in (found.order == 0, found.order > 0)
        ]
        level = np.sqrt(np.interp(np.log(np.maximum(frequency, 1e-9)), np.log(fine), wanted))
        tail = _scaled(noise * level, sums[0] + sums[1], wanted, step)
        direct.append(sums[0])
        reflected.append(sums[1] + tail)
    return RoomImpulse(np.array(direct), np.array(reflected), sample_rate, count)


def _tail(room: Room, *, sample_rate: float, count: int, seed: int) -> ComplexArray:
    """Spectrum (N/2 + 1,) of noise that decays in every third as the room does, of mean square 1."""
    random = np.random.default_rng(seed).standard_normal(count)
    frequency = np.fft.rfftfreq(count, 1.0 / sample_rate)
    white = np.fft.rfft(random)
    place = np.log(np.maximum(frequency, 1e-9) / TAIL_BANDS[0]) / np.log(OCTAVE ** (1.0 / 3.0))
    time = np.arange(count) / sample_rate
    after = time - (room.order + 0.5) * room.mean_free_path / room.air.speed_of_sound
    rise = np.sin(0.5 * np.pi * np.clip(after / ONSET, 0.0, 1.0))
    total = np.zeros(count)
    for index, seconds in enumerate(reverberation_time(room, TAIL_BANDS)):
        # Neighbours add up to 1, so that what decays alike is the noise itself.
        inside = np.cos(0.5 * np.pi * np.clip(np.abs(_held(place, index) - index), 0.0, 1.0)) ** 2
        envelope = rise * np.exp(-3.0 * np.log(10.0) * np.maximum(after, 0.0) / max(seconds, 1e-3))
        power = float(np.sum(envelope**2))
        if power > 0.0:
            total += np.fft.irfft(white * inside, count) * envelope / np.sqrt(power)
    return np.asarray(np.fft.rfft(total))


def _held(place: FloatArray, index: int) -> FloatArray:
    """Places (K,) in the row of bands; beyond its ends they count as the band there."""
    return np.clip(place, 0.0, TAIL_BANDS.size - 1.0) if index in (0, TAIL_BANDS.size - 1) else place


def _scaled(tail: ComplexArray, others: ComplexArray, wanted: FloatArray, step: float) -> ComplexArray:
    """The tail (K,) scaled slowly over frequency so that with `others` (K,) each third has its own mean square and
    the wanted one, (8 B,) in 24ths, together.
    """
    low, high = band_edges(fine_bands(TAIL_BANDS), fraction=24)
    late = in_thirds(wanted)
    if not np.all(late > 0.0):
        return np.zeros_like(tail)

    def mean(spectrum: ComplexArray) -> FloatArray:
        return in_thirds(band_means(spectrum, step, low, high))

    frequency = np.log(np.maximum(step * np.arange(tail.size), 1e-9))
    alone = mean(others)
    for _ in range(SCALED):
        own, both = mean(tail), mean(others + tail)
        # The factor x solves x^2 own + 2 x common = late.
        common = 0.5 * (both - own - alone)
        factor = (np.sqrt(common**2 + own * late) - common) / own
        tail = tail * np.exp(np.interp(frequency, np.log(TAIL_BANDS), np.log(factor)))
    return tail
