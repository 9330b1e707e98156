"""Waveguides drawn at random from the space that a search goes through."""

from __future__ import annotations

import numpy as np
from hypothesis import assume

from evenflare.units import MILLIMETRE
from evenflare.waveguide import Limits, ParameterSpace, Waveguide

LIMITS = Limits(
    depth=(40 * MILLIMETRE, 120 * MILLIMETRE),
    mouth_diameter=(120 * MILLIMETRE, 260 * MILLIMETRE),
)


def drawn(family: str, seed: int) -> Waveguide:
    """A member of a family; where it has no wall the example is dropped."""
    space = ParameterSpace(family, LIMITS)
    try:
        waveguide = space.waveguide(np.random.default_rng(seed).random(len(space.names)))
        waveguide.meridian  # noqa: B018
    except ValueError:
        assume(False)
    return waveguide
