"""What a seat would hear of a sound: impulse responses played, and levels matched by loudness."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from evenflare.directivity.types import Directivity
from evenflare.room.impulse import RoomImpulse, impulse, length_of
from evenflare.room.pair import turned_to_second
from evenflare.room.pattern import over_frequency, relative_to_axis
from evenflare.room.room import Point, Room
from evenflare.studies.loudness import RATE, loudness
from evenflare.units import ComplexArray, FloatArray

LOUDEST = 0.89
"""Greatest sample of what is played, 1 dB below full scale."""
LEVEL = -23.0
"""LUFS of what is played where its peaks leave room for that. Source: EBU R 128 (from memory)."""
STOPPED, PASSED = 10.0, 20.0
"""Hz between which what is played fades in: a response is held below the lowest frequency that is known."""
FLOOR = 1e-4
"""What is left of what is faded out."""


@dataclass(frozen=True)
class LevelledSound:
    """One sound at one seat.

    samples  : (C, N) at RATE; 1 is full scale.
    loudness : LUFS before its gain, for 1 Pa at full scale.
    gain     : dB.
    """

    samples: FloatArray
    loudness: float
    gain: float


@dataclass(frozen=True)
class SeatImpulses:
    """A seat's impulse responses by loudspeaker: one, or the two of a pair."""

    speakers: tuple[RoomImpulse, ...]


def axis_level(directivity: Directivity, frequency: FloatArray) -> FloatArray:
    """Pressure (F,) on axis at 1 m, Pa, at frequencies (F,) Hz, as the impulse responses hold it."""
    place = int(np.argmin(np.abs(directivity.observation.off_axis)))
    square = np.abs(relative_to_axis(directivity)[:, 0, place]) ** 2
    return np.asarray(np.sqrt(over_frequency(directivity, np.maximum(frequency, STOPPED)) @ square))


def faded(frequency: FloatArray) -> FloatArray:
    """Factor (F,) that leaves out what lies below hearing; FLOOR at least, so that it has a phase."""
    share = np.clip((frequency - STOPPED) / (PASSED - STOPPED), 0.0, 1.0)
    return np.asarray(np.maximum(np.sin(0.5 * np.pi * share) ** 2, FLOOR))


def steps(room: Room) -> FloatArray:
    """Frequencies (K,) Hz of the spectra of `seat_impulses`."""
    return np.asarray(np.fft.rfftfreq(length_of(room, sample_rate=RATE), 1.0 / RATE))


def seat_impulses(
    room: Room, directivity: Directivity, *, shape: ComplexArray, binaural: bool
) -> tuple[SeatImpulses, ...]:
    """What each seat hears of an impulse, by loudspeaker.

    shape    : (K,) factor on the directivity's sound at `steps(room)`: filters, and a phase for the axis.
    binaural : the ears of a head that faces the loudspeaker, or the middle of a pair; else the pressure.
    ValueError as `impulse`.
    """
    count = length_of(room, sample_rate=RATE)
    rooms = [room] if room.second is None else [replace(room, second=None), turned_to_second(room)]
    middle = np.mean([each.source.position for each in rooms], axis=0)
    facing: Point | None = (float(middle[0]), float(middle[1]), float(middle[2])) if binaural else None
    found = []
    for place, seat in enumerate(room.seats):
        own = []
        for number, each in enumerate(rooms):
            seed = 1000 * place + 10 * number
            made = impulse(each, directivity, seat.position, sample_rate=RATE, count=count, facing=facing, seed=seed)
            own.append(replace(made, direct=made.direct * shape, reflected=made.reflected * shape))
        found.append(SeatImpulses(tuple(own)))
    return tuple(found)


def rendered(sound: FloatArray, impulses: SeatImpulses, *, direct: bool) -> FloatArray:
    """A sound (S, N), of one or two channels, as a seat hears it: (C, M), all of it or the direct sound alone.

    Of two loudspeakers each plays a channel, or both the only one; a single one plays the mean of the channels.
    """
    channels = sound if len(impulses.speakers) == sound.shape[0] else np.mean(sound, axis=0, keepdims=True)
    first = impulses.speakers[0]
    length = sound.shape[-1] + first.count
    size = next_fast_len(length, real=True)
    total: ComplexArray | float = 0.0
    for index, speaker in enumerate(impulses.speakers):
        spectrum = speaker.direct if direct else speaker.whole
        taps = irfft(spectrum, speaker.count)
        total = total + rfft(taps, size) * rfft(channels[index % channels.shape[0]], size)
    return np.asarray(irfft(total, size)[:, :length])


def matched(heard: Mapping[str, FloatArray]) -> dict[str, LevelledSound]:
    """Sounds (C, N) in Pa by name, brought to one loudness: LEVEL, or as high as the peaks of all allow.

    Silence stays as it is.
    """
    loud = {name: loudness(samples) for name, samples in heard.items()}
    peaks = {name: float(np.abs(samples).max()) for name, samples in heard.items()}
    free = [loud[name] + 20.0 * np.log10(LOUDEST / peaks[name]) for name in heard if np.isfinite(loud[name])]
    level = min([LEVEL, *free])
    gains = {name: level - loud[name] if np.isfinite(loud[name]) else 0.0 for name in heard}
    return {
        name: LevelledSound(samples * 10.0 ** (0.05 * gains[name]), loud[name], gains[name])
        for name, samples in heard.items()
    }


def dithered(samples: FloatArray, *, seed: int) -> FloatArray:
    """Samples (C, N) with triangular dither of a step of 16 bits either way, for whoever rounds them.

    Source: S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, J. Audio Eng. Soc. 40 (1992) 355 (from memory).
    """
    random = np.random.default_rng(seed).random((2, *samples.shape), dtype=np.float32)
    return np.asarray(np.clip(samples + (random[0] - random[1]) / 32768.0, -1.0, 1.0 - 1.0 / 32768.0))


def versions(designs: Sequence[str]) -> list[tuple[int, bool]]:
    """What can be played at a seat: each design by its place, all of it and its direct sound alone."""
    return [(place, direct) for direct in (False, True) for place in range(len(designs))]
