"""The arithmetic of an uncertainty budget: parts put together, their degrees of freedom, the interval.

Source: JCGM 100:2008 (GUM): combined standard uncertainty eq. 10, effective degrees of freedom annex G.4, expanded
uncertainty clause 6.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from evenflare.units import FloatArray, read_only

LEVEL = 0.95
"""Of the interval."""
Kind = Literal["A", "B"]


@dataclass(frozen=True)
class Contribution:
    """One contribution to a budget.

    name    : what it comes from.
    size    : (F,) its standard uncertainty times the sensitivity to it, in the result's unit, >= 0.
    freedom : degrees of freedom of that standard uncertainty; inf where it is not estimated from readings.
    kind    : "A" where it is evaluated from readings by statistics, "B" from anything else (JCGM 100, clause 4).
    told_by : what it was evaluated from, in words.
    """

    name: str
    size: FloatArray
    freedom: float = float("inf")
    kind: Kind = "B"
    told_by: str = ""

    def __post_init__(self) -> None:
        size = read_only(self.size)
        if np.any(size < 0.0) or not self.freedom > 0.0:
            raise ValueError(f"{self.name}: a standard uncertainty must be 0 or more, degrees of freedom above 0")
        object.__setattr__(self, "size", size)


@dataclass(frozen=True)
class Budget:
    """Parts that do not depend on each other, of one quantity. ValueError without any."""

    parts: tuple[Contribution, ...]

    def __post_init__(self) -> None:
        if not self.parts:
            raise ValueError("a budget needs one part at least")

    @property
    def combined(self) -> FloatArray:
        """Standard uncertainty (F,): root of the sum of squares (JCGM 100, eq. 10)."""
        return np.asarray(np.sqrt(sum(part.size**2 for part in self.parts)))

    @property
    def freedom(self) -> FloatArray:
        """Effective degrees of freedom (F,) by Welch and Satterthwaite (JCGM 100, eq. G.2b); inf where none counts."""
        loss = np.asarray(sum(part.size**4 / part.freedom for part in self.parts))
        with np.errstate(divide="ignore", invalid="ignore"):
            found = self.combined**4 / loss
        return np.where(loss > 0.0, found, np.inf)

    def factor(self, level: float = LEVEL) -> FloatArray:
        """Coverage factor (F,) of that level: Student's t at the freedom, cut to a whole number (JCGM 100, G.6.4)."""
        whole = np.maximum(np.floor(self.freedom + 1e-9), 1.0)
        return np.asarray(stdtrit(np.minimum(whole, 1e9), 0.5 + 0.5 * level))

    def expanded(self, level: float = LEVEL) -> FloatArray:
        """Half width (F,) of the interval of that level."""
        return self.factor(level) * self.combined


def uniform(half_width: FloatArray) -> FloatArray:
    """Standard uncertainty of what lies anywhere within +- `half_width` (JCGM 100, 4.3.7)."""
    return np.asarray(np.abs(half_width) / np.sqrt(3.0))


def evened(frequency: FloatArray, size: FloatArray) -> FloatArray:
    """Root mean square (F,) of a size over an octave about each frequency, and never less than two thirds of itself.

    What alternates in sign passes through 0 at frequencies where it is no better known.
    """
    near = np.abs(np.log2(frequency[:, None] / frequency[None, :])) <= 0.5
    square = np.where(np.isfinite(size), size, 0.0) ** 2
    mean = (near @ square) / near.sum(axis=1)
    return np.asarray(np.sqrt(np.maximum(mean, 4.0 / 9.0 * square)))
