"""What a seat hears by time after the direct sound: levels by window, and the early-to-late ratio."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.room.images import images
from evenflare.room.paths import fine_bands, gains, in_thirds, observed_bands, paths, sending_of, sent
from evenflare.room.room import Room, decay
from evenflare.units import REFERENCE_PRESSURE, FloatArray, power_db, read_only

EDGES = (0.0, 0.005, 0.020, 0.050, 0.080, np.inf)
"""s after the direct sound, between which reflected sound is added up; 50 ms is where C50 parts early from late."""
WINDOWS = {"direct": (0,), "from_0_to_5_ms": (1,), "from_5_to_20_ms": (2,), "from_20_to_80_ms": (3, 4), "later": (5,)}
"""What is told, by name: the direct sound, and the spans between EDGES, from 1 on."""
EARLY = 4
"""Parts, of those, that count as early for C50."""
JUST_NOTICEABLE = 1.1
"""dB of C50: J. S. Bradley, R. Reich, S. G. Norcross, Applied Acoustics 58 (1999) 99 to 108, of speech in rooms."""
JUST_NOTICEABLE_SOURCE = "Bradley, Reich and Norcross, Applied Acoustics 58 (1999) 99"
CLARITY_OCTAVES = (500.0, 1000.0, 2000.0, 4000.0)
"""Hz, octaves over whose means C50 is told as one number: own choice; those of speech."""


@dataclass(frozen=True)
class TimeWindows:
    """Mean squares at the seats by time, in thirds of an octave, filters included.

    frequency : (B,) Hz.
    square    : (6, S, B) Pa^2 of the direct sound and between EDGES; all but the first add up to the reflected sound.
    """

    frequency: FloatArray
    square: FloatArray

    def __post_init__(self) -> None:
        for name in ("frequency", "square"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))

    @property
    def levels(self) -> dict[str, FloatArray]:
        """(S, B) dB re 20 uPa by the names of WINDOWS; -inf where nothing arrives."""
        return {
            name: power_db(self.square[list(parts)].sum(axis=0) / REFERENCE_PRESSURE**2)
            for name, parts in WINDOWS.items()
        }

    @property
    def clarity(self) -> FloatArray:
        """C50 (S, B) dB: direct sound and the 50 ms after it over all that follows. Source: ISO 3382-1:2009, A.2.3
        (from memory); inf where nothing follows.
        """
        with np.errstate(divide="ignore"):
            return power_db(self.square[:EARLY].sum(axis=0) / self.square[EARLY:].sum(axis=0))

    @property
    def clarity_by_seat(self) -> FloatArray:
        """C50 (S,) dB, mean over CLARITY_OCTAVES, of those observed whole; nan where none is."""
        values = [octave_mean(self.frequency, self.clarity, octave) for octave in CLARITY_OCTAVES]
        whole = [each for each in values if np.all(np.isfinite(each))]
        return np.mean(whole, axis=0) if whole else np.full(self.square.shape[1], np.nan)


def octave_mean(thirds: FloatArray, level: FloatArray, octave: float) -> FloatArray:
    """Mean (...) of the levels (..., B) of the three thirds of an octave, Hz; nan where they were not observed."""
    near = np.abs(np.log2(thirds / octave)) < 0.4
    return np.asarray(level[..., near].mean(axis=-1) if near.sum() == 3 else np.full(level.shape[:-1], np.nan))


def time_windows(room: Room, directivity: Directivity, *, filtering: FloatArray | None = None) -> TimeWindows:
    """What arrives when at the seats. ValueError as `paths.observed_bands` and `paths.heard`.

    filtering : as `response.respond` has it; only its squared magnitude counts, not what it does in time.
    Image sources arrive at the time of their distance. The tail begins `order` and a half mean free paths after the
    source sounds, where `room.tail_gain` cuts it, but not before the direct sound is there, and dies as exp(-decay n)
    over n further ones.
    """
    thirds = observed_bands(directivity)
    fine = fine_bands(thirds)
    gain = np.ones(fine.size) if filtering is None else filtering
    found = paths(room, directivity.observation, thirds)
    sending, mean = sending_of(found, directivity)
    loss = decay(room, fine)
    square = np.empty((len(EDGES), len(room.seats), thirds.size))
    for place, seat in enumerate(room.seats):
        seen = images(room, seat.position, order=room.order)
        sounding = (sent(room, seen, directivity.observation) @ sending.T) * gains(room, seen, fine)
        after = (seen.distance - seen.distance[0]) / room.air.speed_of_sound
        begins = max((room.order + 0.5) * room.mean_free_path - seen.distance[0], 0.0)
        further = np.maximum(np.array(EDGES) * room.air.speed_of_sound - begins, 0.0) / room.mean_free_path
        left = np.exp(-np.outer(further, loss))
        tail = found.late[place] * mean * (left[:-1] - left[1:])
        early = [
            sounding[(seen.order > 0) & (after >= low) & (after < high)].sum(axis=0)
            for low, high in itertools.pairwise(EDGES)
        ]
        square[:, place] = in_thirds(np.stack([sounding[0], *(np.array(early) + tail)]) * gain)
    return TimeWindows(thirds, square)
