"""A sound card that never was: hears the sweep through a known impulse response. Invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import fftconvolve

from evenflare.measurement.sound_card import Recording

CARD = np.array([0.02, 0.9, -0.05])
"""What its own converters do, on both inputs."""


@dataclass
class VirtualCard:
    """A `SoundCard`.

    heard   : the impulse response (N,) from output to microphone, whatever the loudspeaker is turned to.
    delays  : samples by which the card is late, take after take; the last one stays.
    noise   : rms of the microphone's input.
    edit    : what goes wrong with the microphone's input, by take; lost: takes whose samples are lost.
    """

    heard: Callable[[], np.ndarray]
    delays: Sequence[int] = (700,)
    noise: float = 0.0
    edit: dict[int, Callable[[np.ndarray], np.ndarray]] = field(default_factory=dict)
    back: Callable[[np.ndarray], np.ndarray] = lambda x: 0.5 * x
    lost: frozenset[int] = frozenset()
    played: list[np.ndarray] = field(default_factory=list)

    def take(self, played: np.ndarray, *, sample_rate: float, output: int, inputs: Sequence[int]) -> Recording:
        count = len(self.played)
        self.played.append(played)
        late = self.delays[min(count, len(self.delays) - 1)]
        sent = fftconvolve(np.concatenate([np.zeros(late), played]), CARD)[: played.size]
        noisy = np.random.default_rng(count).normal(scale=self.noise, size=played.size)
        microphone = fftconvolve(sent, self.heard())[: played.size] + noisy
        microphone = np.clip(self.edit.get(count, lambda x: x)(microphone), -1.0, 1.0)
        columns = [microphone, self.back(sent)][: len(inputs)]
        return Recording(np.stack(columns, axis=1), count in self.lost)
