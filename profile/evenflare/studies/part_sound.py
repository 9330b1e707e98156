"""What a part as it was built does to the sound: its directivity index against the drawn one's, and both scores."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from evenflare.design.file import Design
from evenflare.metrics import directivity_index
from evenflare.objective import own_frequencies, score, search_observation
from evenflare.radiation import Solver
from evenflare.target.target import Target
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide import Waveguide

HIGHEST = 16e3
"""Hz, up to which the index is looked at where no target says otherwise."""


@dataclass(frozen=True)
class PartScore:
    """dB, scores by one target of the drawn wall and of the part, and its wanted index at the frequencies looked at."""

    nominal: float
    part: float
    frequency: FloatArray
    wanted: FloatArray


@dataclass(frozen=True)
class PartSound:
    """The index of the part beside the drawn one's.

    frequency     : (F,) Hz, looked at; nominal, part : (F,) dB, whole sphere.
    valid         : (F,) where both can be trusted.
    error         : (F,) dB, standard error that the wall's leaves in the part's index; nan where it was not asked for.
    alone         : by kind of deviation, dB, greatest change of the index by this one alone, where it was solved.
    """

    frequency: FloatArray
    nominal: FloatArray
    part: FloatArray
    valid: BoolArray
    error: FloatArray
    alone: Mapping[str, float]
    score: PartScore | None = None

    @property
    def change(self) -> FloatArray:
        """(F,) dB, part less nominal; nan where it cannot be trusted."""
        return np.asarray(np.where(self.valid, self.part - self.nominal, np.nan))

    @property
    def rms(self) -> float:
        """dB, of the change over the frequencies, alike."""
        return float(np.sqrt(np.nanmean(self.change**2)))

    @property
    def worst(self) -> int:
        """Where the change is greatest."""
        return int(np.nanargmax(np.abs(self.change)))


def looked_at(design: Design, target: Target | None) -> FloatArray:
    """(F,) Hz: the target's own frequencies, or those of the design up to 16 kHz. ValueError if there are none."""
    frequency = design.observation.frequency if target is None else own_frequencies(target)
    found = np.asarray(frequency if target is not None else frequency[frequency <= HIGHEST])
    if not found.size:
        raise ValueError(f"holds no frequency up to {HIGHEST / 1e3:g} kHz. Give some in [analysis], or a target")
    return found


def part_sound(
    design: Design,
    part: Waveguide,
    solve: Solver,
    *,
    target: Target | None = None,
    nudged: Mapping[str, tuple[Waveguide, float]] | None = None,
    alone: Mapping[str, Waveguide] | None = None,
) -> PartSound:
    """The drawn wall and the part, solved alike.

    nudged : by kind the part with one deviation a little off, and its standard error over that: the changes, taken as
             independent, make the error of the index. To first order, so not at a narrow dip of the index.
    alone  : the drawn wall with one kind of deviation.
    Errors : ValueError where a wall cannot be solved.
    """
    frequency = looked_at(design, target)
    seen = replace(design.observation, frequency=frequency)

    def solved(waveguide: Waveguide) -> tuple[FloatArray, BoolArray]:
        found = solve(waveguide, seen, design.air)
        return directivity_index(found), found.valid

    (nominal, known), (built, solved_too) = solved(design.waveguide), solved(part)
    valid = known & solved_too
    if not valid.any():
        raise ValueError("no frequency looked at has a valid result")
    error = np.full(frequency.size, np.nan)
    if nudged:
        moved = [times * (solved(each)[0] - built) for each, times in nudged.values()]
        error = np.sqrt(np.sum(np.square(moved), axis=0))
    costs = {kind: float(np.max(np.abs((solved(each)[0] - nominal)[valid]))) for kind, each in (alone or {}).items()}
    found = PartSound(frequency, nominal, built, valid, error, costs)
    return found if target is None else replace(found, score=_scores(design, part, solve, target))


def _scores(design: Design, part: Waveguide, solve: Solver, target: Target) -> PartScore:
    from evenflare.target.target import wanted_index

    seen = search_observation(target)
    nominal, built = (score(solve(each, seen, design.air), each, target).value for each in (design.waveguide, part))
    frequency = own_frequencies(target)
    return PartScore(nominal, built, frequency, wanted_index(target, frequency)[0])
