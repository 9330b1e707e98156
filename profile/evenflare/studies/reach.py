"""What the limits of a target let its index reach, and from where on: a few shapes solved before a search."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.metrics import directivity_index, standard_curves
from evenflare.objective import score, search_observation, winner_frequencies
from evenflare.radiation import Solver
from evenflare.target.target import Target, wanted_index
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import ParameterSpace, Waveguide, limit_excess
from evenflare.words import hertz

SHAPES = 24
"""Solved of round targets, in half a second of one core; of oblong ones a third as many."""
OBLONG_SHAPES = 8
TRIES = 12
"""Shapes drawn for each that is solved, some of which break a limit."""
LATER = 2.0 ** (1.0 / 4.0)
"""Ratio of the frequency from which a search's winner has an index to that of the best of a few shapes: an even beam
above costs some of what the mouth could do below. Winners of eight searches in a baffle, mouths of 150 to 360 mm: 0.02
to 0.3 of an octave later."""
MOST_LEVELS = 4
"""That the statement names."""


@dataclass(frozen=True)
class IndexReach:
    """Indices of a few shapes that keep a target's limits, in its mounting.

    frequency : (F,) Hz.
    index     : (N, F) dB, of the kind that the target means, one row a shape.
    nearest   : row of the shape with the best score.
    """

    frequency: FloatArray
    index: FloatArray
    nearest: int

    def earliest(self, level: float) -> float:
        """Hz from which any of the shapes has that index, dB; inf if none has."""
        return min(_from(self.frequency, row, level) for row in self.index)

    def usual(self, level: float) -> float:
        """Hz from which winners of a search have it at the latest: LATER than the shape nearest to the target."""
        return LATER * _from(self.frequency, self.index[self.nearest], level)


def _from(frequency: FloatArray, index: FloatArray, level: float) -> float:
    """Hz at which an index first rises to a level, between its frequencies linear in their logarithm."""
    above = np.flatnonzero(index >= level)
    if not above.size:
        return float("inf")
    i = int(above[0])
    if i == 0:
        return float(frequency[0])
    return float(np.exp(np.interp(level, index[i - 1 : i + 1], np.log(frequency[i - 1 : i + 1]))))


def tried(target: Target, solve: Solver) -> IndexReach | None:
    """A few shapes solved; None if none keeps the limits and can be solved. The same ones every time."""
    observation = replace(search_observation(target), frequency=winner_frequencies(target))
    found: list[tuple[float, FloatArray]] = []
    most = OBLONG_SHAPES if target.oblong else SHAPES
    for waveguide in _drawn(target, most * TRIES):
        try:
            sound = solve(waveguide, observation, target.air)
            sound = replace(sound, valid=np.ones_like(sound.valid))
            found.append((score(sound, waveguide, target).value, _index(sound, target)))
        except (ValueError, ArithmeticError, RuntimeError):  # beyond the solver's reach, as a candidate may be
            continue
        if len(found) == most:
            break
    if not found:
        return None
    best = min(range(len(found)), key=lambda i: found[i][0])
    return IndexReach(observation.frequency, np.array([index for _, index in found]), best)


def reach_words(target: Target, reach: IndexReach | None) -> str:
    """What the limits allow and what is wanted, in a sentence for before a search."""
    sizes = [f"{ends[1] / MILLIMETRE:g}" for ends in target.limits.mouth]
    mouth = " x ".join(sizes) if target.oblong else sizes[0]
    if reach is None:
        return f"Of the shapes tried with mouths up to {mouth} mm none keeps [limits] and can be solved"
    wanted, _, weight = wanted_index(target, target.frequency)
    levels = np.unique(np.round(wanted[weight > 0.0], 1))
    chosen = levels[np.unique(np.linspace(0, levels.size - 1, MOST_LEVELS).round().astype(int))]
    said = []
    for level in chosen.tolist():
        at = float(target.frequency[(weight > 0.0) & (wanted >= level - 0.05)][0])
        said.append(f"{level:.1f} dB (wanted at {hertz(at)}) {_reached(reach, level)}")
    return (
        f"Mouths up to {mouth} mm, the largest that [limits] allow, give an index of {'; '.join(said)}. By"
        f" {len(reach.index)} shapes solved in this mounting: the earliest, and the nearest to the target with a"
        " quarter of an octave for what an even beam above costs"
    )


def _reached(reach: IndexReach, level: float) -> str:
    """From where on an index is reached, in words."""
    earliest, usual = reach.earliest(level), reach.usual(level)
    if np.isinf(earliest):
        return "nowhere"
    if earliest <= reach.frequency[0]:
        return f"from {hertz(reach.frequency[0])} or lower"
    if usual > reach.frequency[-1]:
        return f"from {hertz(earliest)} at the earliest, an even beam perhaps nowhere"
    return f"from between {hertz(earliest)} and {hertz(usual)} on"


def _index(sound: Directivity, target: Target) -> FloatArray:
    return directivity_index(sound) if target.index_kind == "sphere" else standard_curves(sound).sound_power_index


def _drawn(target: Target, most: int) -> Iterator[Waveguide]:
    """Members of the families that take part, in turn, with mouths in the upper third of what is allowed."""
    spaces = [ParameterSpace(each, target.limits, target.driver, target.mounting) for each in target.families]
    random = np.random.default_rng(20)
    for i in range(most):
        space = spaces[i % len(spaces)]
        vector = random.random(len(space.names))
        for place, name in enumerate(space.names):
            if name.endswith("mouth_radius"):
                vector[place] = 1.0 if i < len(spaces) else 1.0 - vector[place] / 3.0
            elif i < len(spaces) and name == "depth":
                vector[place] = 1.0
            elif i < len(spaces) and name.endswith("roundover_radius"):
                vector[place] = 0.0
        try:
            waveguide = space.waveguide(vector)
            kept = all(excess <= 0.0 for excess in limit_excess(waveguide, target.limits).values())
        except (ValueError, ArithmeticError):
            continue
        if kept:
            yield waveguide
