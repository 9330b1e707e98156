"""Where the shapes of a search are observed once they are designs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.design.file import default_observation
from evenflare.directivity.types import Observation
from evenflare.objective import winner_frequencies
from evenflare.room.paths import counted_bands
from evenflare.target.target import Target
from evenflare.waveguide import Waveguide


def winner_observation(target: Target, waveguide: Waveguide) -> Observation:
    """Where the winner is observed: as any design, and for a room down to the lowest band that counts there."""
    usual = default_observation(waveguide)
    if target.mounting.cabinet is not None:
        return replace(usual, frequency=winner_frequencies(target, usual.frequency))
    if target.room is None:
        return usual
    source = waveguide.driver.source
    below = [f for f in counted_bands() if f < 0.95 * usual.frequency[0] and source.covers(np.array([f]))]
    return replace(usual, frequency=np.concatenate([below, usual.frequency]))
