"""One candidate of a run by its number: its shape built again from what the run's folder holds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare.files import InputError, short
from evenflare.search.stages import STAGES
from evenflare.search.store import finished
from evenflare.search.worker import Job, Outcome, waveguide_of
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide

SAME_DEPTH = 1e-6
"""mm, within which a shape that is built again is the one that was judged."""


@dataclass(frozen=True)
class Picked:
    """A candidate at the most exact stage that it was judged at, and its waveguide."""

    number: int
    job: Job
    outcome: Outcome
    waveguide: Waveguide


def picked(folder: Path, target: Target, number: int | None = None) -> Picked:
    """A candidate of the run in `folder`, which was for that target; without a number the best.

    Errors: InputError if there is no run, no such number, no waveguide of it or no candidate that keeps the limits, or
            the target is not the run's.
    """
    name = short(str(folder))
    found = finished(folder, number=number)
    if number is None:
        good = [each for each in found if each[2].feasible]
        if not good:
            raise InputError(
                f"{name}: has no best, no candidate keeps the limits. Name one by its number, as in {name}#1"
            )
        number = min(good, key=lambda each: (-STAGES.index(each[1].setting), each[2].rank, each[0]))[0]
    mine = [each for each in found if each[0] == number]
    if not mine:
        numbers = [each[0] for each in finished(folder)]
        held = f"{min(numbers)} to {max(numbers)}" if numbers else "none yet"
        raise InputError(
            f"{name}: candidate {number}: is not there, the run holds {held}. evenflare history {name} lists them"
        )
    _, job, outcome = mine[-1]
    try:
        waveguide = waveguide_of(target, job.family, job.vector)
        depth = waveguide.depth / MILLIMETRE
    except ValueError as error:
        raise InputError(
            f"{name}: candidate {number}: is no waveguide ({outcome.reason or error}). Pick one that has a score, or"
            " breaks limits only"
        ) from None
    if abs(outcome.parameters.get("depth_mm", depth) - depth) > SAME_DEPTH:
        raise InputError(
            f"{name}: candidate {number}: is {outcome.parameters['depth_mm']:.4f} mm deep in the run, and {depth:.4f}"
            f" mm built again from {target.source}. Name the target that the run was for, with the version it ran on"
        )
    return Picked(number, job, outcome, waveguide)
