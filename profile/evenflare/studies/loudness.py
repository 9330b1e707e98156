"""How loud a sound is to people: ITU-R BS.1770, at its own sample rate."""

from __future__ import annotations

import numpy as np
from scipy.signal import sosfilt

from evenflare.units import FloatArray

RATE = 48000
"""Hz, for which the recommendation gives its filters."""
SECTIONS = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)
"""A head's shelf and a high pass. Source: ITU-R BS.1770-4, annex 1, tables 1 and 2 (from memory)."""
BLOCK, HOP = round(0.4 * RATE), round(0.1 * RATE)
ABSOLUTE, RELATIVE, OFFSET = -70.0, -10.0, -0.691


def loudness(samples: FloatArray) -> float:
    """LUFS of sound (C, N) at RATE, 1 at full scale, gated; -inf where all is below the gate.

    A sound shorter than a block counts as one. Source: ITU-R BS.1770-4, annex 1 (from memory).
    """
    square = sosfilt(SECTIONS, samples, axis=-1) ** 2
    block = min(BLOCK, square.shape[-1])
    total = np.concatenate([[0.0], np.cumsum(square.sum(axis=0))])
    starts = np.arange(0, square.shape[-1] - block + 1, HOP)
    power = (total[starts + block] - total[starts]) / block
    heard = power[_lufs(power) > ABSOLUTE]
    if heard.size == 0:
        return float("-inf")
    heard = heard[_lufs(heard) > _lufs(heard.mean()) + RELATIVE]
    return float(_lufs(heard.mean()))


def _lufs(power: FloatArray | float) -> FloatArray:
    return np.asarray(OFFSET + 10.0 * np.log10(np.maximum(power, 1e-300)))
