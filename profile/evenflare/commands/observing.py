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
    """Where the winner is observed: as any design, and at the frequencies of the search, the target's own among them.

    For a room so down to the lowest band that counts there, where the driver's source is known.
    """
    usual, source = default_observation(waveguide), waveguide.driver.source
    # A cabinet is solved at the frequencies of the search, and at no more than it has to be.
    searched = target if target.mounting.cabinet is not None else replace(target, rooms=())
    frequency = winner_frequencies(searched, usual.frequency)
    bands = np.empty(0) if not target.rooms else counted_bands()
    known = [f for f in [*bands[bands < 0.95 * frequency[0]], *frequency] if source.covers(np.array([f]))]
    return replace(usual, frequency=np.array(known))
