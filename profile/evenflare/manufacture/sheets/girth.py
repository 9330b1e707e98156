"""How far out a free-standing body reaches within a layer, round or not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np

from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes, body_outside
from evenflare.manufacture.part.rings import FINE, Outline, circle, shrunk, smallest
from evenflare.manufacture.wall.oblong_curves import closed_curve
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.oblong_body import OblongBody

_FLAT = 1e-9


class Girth(Protocol):
    """The outside of a body by depth."""

    def outlines(self, low: float, high: float) -> tuple[Outline, Outline]:
        """What lies within it at all depths between two of the body (m), and what it lies within.

        A flat across the axis at either depth counts by the edge alone in which it meets what lies between.
        """
        ...


@dataclass(frozen=True)
class RoundGirth:
    """Of a round one. line : (N, 2), m: z and r, from the mouth's rim round to the axis. chord_error : m."""

    line: FloatArray
    chord_error: float

    def outlines(self, low: float, high: float) -> tuple[Outline, Outline]:
        """See Girth."""
        z, r = self.line.T
        found = r[(z > low + _FLAT) & (z < high - _FLAT)].tolist()
        for level in (low + _FLAT, high - _FLAT):
            met = (z[:-1] - level) * (z[1:] - level) <= 0.0
            met &= np.abs(np.diff(z)) > _FLAT
            share = (level - z[:-1][met]) / np.diff(z)[met]
            found += (r[:-1][met] + share * np.diff(r)[met]).tolist()
        return circle(min(found), chord_error=self.chord_error), circle(max(found), chord_error=self.chord_error)


@dataclass(frozen=True)
class OblongGirth:
    """Of an oblong one, which is convex. chord_error : m, by which the first outline's chords may lie within the body,
    and the other's outside it.
    """

    body: OblongBody
    chord_error: float

    def outlines(self, low: float, high: float) -> tuple[Outline, Outline]:
        """See Girth.

        A convex body contains between two depths what both its sections there have in common. Its shadow along the axis
        is convex too: in each direction across the rim it reaches as far as the body does where it is widest there.
        """

        def shadow(psi: FloatArray) -> FloatArray:
            return self.body.section(np.clip(self.body.widest(psi)[..., 2], low, high), psi)

        ends = [self._curve(partial(self.body.section, z)) for z in (low, high)]
        return smallest(ends), shrunk(self._curve(shadow), -self.chord_error, chord_error=self.chord_error)

    def _curve(self, points_at: Callable[[FloatArray], FloatArray]) -> Outline:
        return Outline(closed_curve(points_at, chord_error=self.chord_error))


def girth_of(waveguide: Waveguide, sizes: Sizes | OblongSizes, *, chord_error: float) -> Girth | None:
    """The outside of a body, of a round one to a tenth of a micrometre; None of another part."""
    if sizes.body is None:
        return None
    if isinstance(sizes.body, OblongBody):
        return OblongGirth(sizes.body, chord_error)
    frame = body_outside(waveguide.meridian, sizes.body, chord_error=FINE)
    return RoundGirth(np.column_stack([frame.z, frame.r]), chord_error)
