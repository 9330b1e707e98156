"""Whether the direct sound that a record seems to hold can be one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.files import InputError
from evenflare.measurement.gate import LEAST_NOISE, arrival_time
from evenflare.measurement.readings import Impulse, Kind, Remark
from evenflare.units import MILLISECOND, FloatArray, amplitude_db

CLEAR = 2.0
"""Times the greatest of as many samples of normal noise: what stands out by less may be noise itself."""
BEFORE = 2e-3
"""s before the arrival that do not count as noise."""
FARTHEST = 1.0
"""m, by which paths to the microphone may differ from angle to angle: more than a turntable's load is deep."""


def peak_over_noise(samples: FloatArray, *, sample_rate: float) -> tuple[float, float]:
    """How far the greatest sample of an impulse response (N,) stands above its noise, and what it must; dB.

    The noise is the rms before the arrival or of the last quarter, whichever is less. Either of the samples themselves
    or of their differences, which hum does not hide; the greater counts. What it must: 6 dB above the greatest of N
    normal samples, sqrt(2 ln N) (extreme values, from memory).
    """
    needed = float(amplitude_db(CLEAR * np.sqrt(2.0 * np.log(samples.size))))
    best = -np.inf
    for each in (samples, np.diff(samples)):
        top = int(np.argmax(np.abs(each)))
        last = top - int(BEFORE * sample_rate)
        parts = [each[max(top, 3 * each.size // 4) :], *([each[:last]] if last >= LEAST_NOISE else [])]
        noise = min(float(np.sqrt(np.mean(part**2))) for part in parts)
        best = max(best, float(amplitude_db(max(abs(each[top]), 1e-300) / max(noise, 1e-300))))
    return best, needed


def checked_arrivals(
    readings: Sequence[Impulse], records: Sequence[FloatArray], *, first: int, kind: Kind, speed_of_sound: float
) -> tuple[FloatArray, list[Remark]]:
    """Arrival (R,) s of every record, and those that do not stand out of their noise.

    first : index of the reading on axis, on which everything rests.
    Errors: InputError if its arrival cannot be right: no more than noise, or far from that of most other readings.
    """
    rate = readings[0].sample_rate
    arrival = np.array([arrival_time(record, sample_rate=rate) for record in records])
    above = np.array([peak_over_noise(record, sample_rate=rate) for record in records])
    swept = "that [files] reference is the sweep that was played, and that" if kind == "sweep" else "that"
    if above[first, 0] < above[first, 1]:
        raise InputError(
            f"{readings[first].file}: no arrival: the greatest of the impulse response stands {above[first, 0]:.0f} dB"
            f" above its noise, and must by {above[first, 1]:.0f} dB. Check {swept} the microphone was on; record again"
        )
    clear = above[:, 0] >= above[:, 1]
    clear[first] = False
    late = arrival - arrival[first]
    if np.count_nonzero(clear) >= 2 and abs(np.median(late[clear])) * speed_of_sound > FARTHEST:
        raise InputError(
            f"{readings[first].file}: an arrival at {arrival[first] / MILLISECOND:.2f} ms cannot be right: in most"
            f" other readings it lies {np.median(late[clear]) / MILLISECOND:+.2f} ms away, and {FARTHEST:g} m of path"
            f" are {FARTHEST / speed_of_sound / MILLISECOND:.2f} ms. Check {swept} all files are of one run"
        )
    weak = [i for i in range(len(readings)) if i != first and not clear[i]]
    return arrival, [
        Remark(
            i,
            "no arrival",
            f"{readings[i].file.name}: no arrival, its greatest stands only {above[i, 0]:.0f} dB above the noise."
            " Listen to it, and repeat it if it should be louder",
        )
        for i in weak
    ]
