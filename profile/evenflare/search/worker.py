"""One candidate judged, in whichever process; and the processes that do it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity
from evenflare.objective import Score, score, search_observation
from evenflare.radiation import Setting, Solver
from evenflare.radiation.march import index_solver
from evenflare.search.evolution import Vector
from evenflare.search.forgiving import Forgiven, Scatter, estimated, mean_wall, sampled
from evenflare.search.stages import Stage, setting_of
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Oblong, ParameterSpace, Shape, Superellipse, Waveguide, family, limit_excess

SolverFactory = Callable[[Setting], Solver]
"""A setting to a solver; importable by name, so that other processes can have it."""

BROKEN_LIMIT = 1e3
"""Rank of a shape that breaks limits, before its violations are added: behind any that keeps them."""
NO_SHAPE = 1e6
"""Rank of a vector that gives no waveguide, or one that the solver refuses: behind all others."""
CONCAVE = "smallest_concave_radius_mm"
"""A parameter that no file gives: what the limit of that name is about."""
LOST = "ended its worker process, and the next one's too"
"""Why a candidate was not solved whose process was killed every time: by the system for lack of memory, mostly."""


class Job(NamedTuple):
    """What is to be judged: a vector on [0, 1] of a family, and at which stage."""

    family: str
    vector: Vector
    setting: Stage


@dataclass(frozen=True)
class Outcome:
    """What became of a candidate.

    value       : dB, its score, of a robust target, but for the stage `drawn`, what units of the process are expected
                  to have, see `forgiving`;
                  None if it was not solved.
    feasible    : it was solved and keeps every limit.
    terms       : dB by name; of the drawn shape, or of the mean wall where that was solved in its place, see Scatter.
    constraints : by name, at or below 0 where the limit is kept.
    parameters  : of the shape, unit in the name.
    reason      : why it was not solved, else empty.
    deviations  : dB, what the score is made of, see `Score`, to single precision, as the run keeps them; empty where
                  it was not solved, or its value comes from sampled units.
    scatter     : of a robust target, the score of the drawn shape, and how units scatter about it.
    """

    value: float | None
    feasible: bool
    terms: Mapping[str, float]
    constraints: Mapping[str, float]
    parameters: Mapping[str, float]
    reason: str
    deviations: tuple[float, ...] = field(default=(), repr=False)
    scatter: Scatter | None = None

    @property
    def rank(self) -> float:
        """Lower is better: the score, behind it the sum of the violations, behind that what is no waveguide."""
        if self.feasible and self.value is not None:
            return self.value
        broken = sum(max(0.0, excess) for excess in self.constraints.values())
        return BROKEN_LIMIT + min(broken, NO_SHAPE / 2) if broken > 0 else NO_SHAPE


def waveguide_of(target: Target, family: str, vector: Vector) -> Waveguide:
    """The waveguide of a vector of a family within a target's limits. ValueError if there is none."""
    space = ParameterSpace(family, target.limits, target.driver, target.mounting)
    return space.waveguide(np.array(vector))


def evaluate(target: Target, factory: SolverFactory, job: Job) -> Outcome:
    """Build, measure and, where it keeps the limits, solve and score one candidate. A failure is an outcome."""
    constraints: dict[str, float] = {}
    parameters: dict[str, float] = {}
    try:
        waveguide = waveguide_of(target, job.family, job.vector)
        parameters = _parameters(waveguide, target.air)
        constraints = limit_excess(waveguide, target.limits)
        concave = target.limits.smallest_concave_radius / MILLIMETRE - constraints[CONCAVE]
        parameters |= {CONCAVE: concave} if np.isfinite(concave) else {}
        broken = [f"{name} by {excess:.3g}" for name, excess in constraints.items() if excess > 0]
        if broken:
            return Outcome(None, False, {}, constraints, parameters, "breaks " + ", ".join(broken))
        result, forgiven = _scored(target, factory, waveguide, job.setting, constraints)
        value, scatter, deviations = (result.value, None, result.deviations) if forgiven is None else forgiven
    except (ValueError, ArithmeticError, RuntimeError) as error:  # no such shape, or one beyond the solver's reach
        return Outcome(None, False, {}, constraints, parameters, f"{error}" or type(error).__name__)
    kept = tuple(np.array(deviations, np.float32).tolist())
    return Outcome(value, result.feasible, dict(result.terms), dict(result.constraints), parameters, "", kept, scatter)


def _scored(
    target: Target, factory: SolverFactory, waveguide: Waveguide, stage: Stage, excess: Mapping[str, float]
) -> tuple[Score, Forgiven | None]:
    """The score of the drawn shape, or of the mean wall that is solved in its place, see Scatter; and, of a robust
    target, what units will score. ValueError if it cannot be solved.
    """
    setting, observation = setting_of(stage), search_observation(target)
    solve, quick = _solver(factory, setting), _without_error(factory, setting)
    valid = np.ones(observation.frequency.size, dtype=bool)  # too coarse to be trusted is good enough to rank by

    def heard(found: Directivity) -> Score:
        return score(replace(found, valid=valid), waveguide, target, excess=excess)

    def hear(made: Waveguide) -> Score:
        return heard(quick(made, observation, target.air))

    forgives = target.robust is not None and stage != "drawn"
    mean = mean_wall(target, waveguide) if forgives and stage != "units" else None
    if mean is not None and setting != "full":
        result = hear(mean)
        return result, estimated(target, waveguide, np.inf, result, hear)
    found = solve(waveguide, observation, target.air)
    if setting == "full":
        valid = found.valid
    result = heard(found)
    if not forgives:
        return result, None
    if stage == "units":
        return result, sampled(target, waveguide, result, hear)
    return result, estimated(target, waveguide, result.value, result if mean is None else hear(mean), hear)


@lru_cache(maxsize=8)
def _solver(factory: SolverFactory, setting: Setting) -> Solver:
    return factory(setting)


@lru_cache(maxsize=8)
def _without_error(factory: SolverFactory, setting: Setting) -> Solver:
    """For walls as made, whose own errors nobody reads: the march tells none then, and takes half the time at full."""
    return index_solver(setting) if factory is radiation.solver else factory(setting)


def _parameters(waveguide: Waveguide, air: Air) -> dict[str, float]:
    """Depth and mouth, which all shapes have, then the shape's own parameters, of each plane where there are two."""
    shape, depth = waveguide.shape, waveguide.depth
    found = {"depth_mm": depth / MILLIMETRE}
    if not isinstance(shape, Oblong):
        return (
            found | {"mouth_diameter_mm": waveguide.mouth_width / MILLIMETRE} | family(shape.family).columns(shape, air)
        )
    found |= {f"mouth_{name}_mm": getattr(waveguide, f"mouth_{name}") / MILLIMETRE for name in ("width", "height")}
    if isinstance(shape.section, Superellipse):
        found["section_exponent"] = float(shape.section.exponent_at(np.array(depth), depth=depth))
    for plane in ("horizontal", "vertical"):
        wall: Shape = getattr(shape, plane)
        own = family(wall.family).columns(wall, air)
        found |= {f"{plane}_{name}": value for name, value in own.items() if name != "depth_mm"}
    return found
