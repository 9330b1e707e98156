"""A handful of good shapes of a run that differ from each other, not twelve copies of one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare.search.picked import Picked
from evenflare.search.stages import STAGES
from evenflare.search.store import finished
from evenflare.search.worker import Job, Outcome, waveguide_of
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.likeness import apart, walls

MOST = 5
DIFFERENT = 0.03
"""Of the best's mouth radius (half of its larger size): the least distance in shape, see `likeness.apart`."""
GOOD, GOOD_BY = 1.5, 0.1
"""A score up to so many times the best's and so many dB more is still good."""
LOOKED_AT = 2000
"""Candidates, best first; beyond them a search has found little that is new."""


@dataclass(frozen=True)
class GoodShape:
    """A candidate that is good and unlike those before it.

    apart    : m, the distance in shape from the best, and
    nearest  : from the nearest of those before it; 0 for the best.
    """

    candidate: Picked
    apart: float
    nearest: float

    @property
    def score(self) -> float:
        """dB, at the stage that it was judged at."""
        return float(self.candidate.outcome.rank)


def least_distance(best: FloatArray) -> float:
    """m, that shapes must be apart, of the best's `walls`."""
    return DIFFERENT * float(best[:, -1, 1].max())


def different_shapes(folder: Path, target: Target) -> list[GoodShape]:
    """From the best on, each the best of those that are at least `least_distance` from all before it. See GOOD.

    Those judged at full come first, since their scores are exact; then those that were only screened.
    """
    judged: dict[int, tuple[Job, Outcome]] = {number: (job, outcome) for number, job, outcome in finished(folder)}
    feasible = [(number, *each) for number, each in judged.items() if each[1].feasible]
    ranked = sorted(feasible, key=lambda each: (-STAGES.index(each[1].setting), each[2].rank, each[0]))
    found: list[GoodShape] = []
    seen: list[FloatArray] = []
    for number, job, outcome in ranked[:LOOKED_AT]:
        if len(found) == MOST:
            break
        if found and outcome.rank > GOOD * found[0].score + GOOD_BY:
            continue
        waveguide = waveguide_of(target, job.family, job.vector)
        wall = walls(waveguide)
        distances = [apart(wall, other) for other in seen]
        if distances and min(distances) < least_distance(seen[0]):
            continue
        first, nearest = (distances[0], min(distances)) if distances else (0.0, 0.0)
        found.append(GoodShape(Picked(number, job, outcome, waveguide), first, nearest))
        seen.append(wall)
    return found


def how_different(best: FloatArray) -> str:
    """What counts as different, in words."""
    return (
        f"Different: at least {least_distance(best) / MILLIMETRE:.1f} mm apart, {DIFFERENT:.0%} of the best's mouth"
        " radius, as the rms distance of places at the same share of the wall's length from throat to rim. Good: up to"
        f" {GOOD:g} times the best's score and {GOOD_BY:g} dB"
    )
