"""Searching for a whole front: descents that spread along it, in every family, and compete for candidates.

COMO-CMA-ES: several CMA-ES descents of one family side by side, each of which goes down in the hypervolume that it
would add to where the others are, so that they share the front among them; points that another beats rank by how far
they are from the front. All of `comocma` is in here. Source: C. Toure, N. Hansen, A. Auger and D. Brockhoff,
Uncrowded hypervolume improvement: COMO-CMA-ES and the Sofomore framework, GECCO (2019), by the library comocma.

What is asked for depends on outcomes in the order asked for alone, never on how many candidates may be asked for: a run
is the beginning of every longer one.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from evenflare.search.evolution import library, quantised
from evenflare.search.front import nondominated
from evenflare.search.record import Record
from evenflare.search.stages import Stage
from evenflare.search.worker import BROKEN_LIMIT, Job, Outcome, waveguide_of
from evenflare.target.quantities import Quantity
from evenflare.target.target import Target
from evenflare.units import FloatArray
from evenflare.waveguide import ParameterSpace, families

SETTING: Stage = "screen"
"""At which candidates are traded off; an estimate ranks too badly for a front."""
DESCENTS = 3
"""Side by side in a family: both ends and what is between. In the free curve five and eight left smaller hypervolumes
after 500 candidates on most seeds: each had too few to adapt."""
SPREAD, BESIDE, AGAIN = 0.3, 0.15, 0.1
"""Initial standard deviations on [0, 1]: over a family, around shapes of another one, around one of the front."""
OPENS = 2
"""Populations of each published family, after which the free curve begins from what they found."""
PATIENCE = 3
"""Populations in a row of a family that put nothing on the front, after which it asks for no more."""
IDLE = 20
"""Populations in a row of all families without a candidate not seen before, after which the search is exhausted."""
REFERENCE = 1.1
"""Of the scaled quantities: worse than this in one is behind every front. 1 is the worst of the first population."""
POPULATIONS = 2
"""Populations of a descent, times its variables, after which another begins: the front is covered by many that come
near it, not by a few that end on it. Without it the front of a cheap family stopped at 0.92 to 0.98 of what a grid
reaches, with it at 0.97 to 1 after as many candidates."""
TOLERANCE = 1e-3
"""Of [0, 1]: a descent whose steps are smaller has converged, and another begins."""


def costs_of(outcome: Outcome, quantities: Sequence[Quantity]) -> tuple[float, ...] | None:
    """Quantities of a candidate, lower is better each; None where it breaks a limit or one is unknown."""
    known = {"score": outcome.value, **outcome.terms, **outcome.parameters}
    values = [known.get(each.name) for each in quantities]
    if not outcome.feasible or any(value is None for value in values):
        return None
    return tuple(each.cost(value) for each, value in zip(quantities, values, strict=True) if value is not None)


@dataclass
class _Member:
    """A candidate on the common front."""

    job: Job
    costs: tuple[float, ...]


@dataclass
class _Arm:
    """The descents of one family; idle: populations in a row that put nothing on the front."""

    family: str
    starts: Sequence[FloatArray]
    spread: float
    seed: Sequence[int]
    descents: Any = None
    asked: list[Job] = field(default_factory=list)
    begun: int = 0
    idle: int = 0

    def ask(self) -> list[Job]:
        """The next population: where each descent is, and what it tries; before the first, a look around."""
        vectors = self._looks() if self.descents is None else self.descents.ask("all")
        self.asked = [Job(self.family, quantised(np.asarray(vector)), SETTING) for vector in vectors]
        return self.asked

    def _looks(self) -> list[FloatArray]:
        """About the starts, by which quantities are scaled."""
        random = np.random.default_rng([*self.seed, 0])
        size = len(self.starts[0])
        return [
            *self.starts,
            *(start + self.spread * random.standard_normal(size) for start in self.starts for _ in range(3)),
        ]

    def begin(self, reference: Sequence[float], restart: Any) -> None:
        """Descents from the starts."""
        library()  # which theirs is made of, and would load otherwise
        import comocma
        from moarchiving.get_archive import get_mo_archive

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            options = {
                "verb_log": 0,
                "verb_disp": 0,
                "archive": False,
                "update_order": lambda place: place,  # theirs draws from the global generator
                "restart": restart,
            }
            kernels = [self.kernel(start, self.spread) for start in self.starts]
            self.descents = comocma.Sofomore(kernels, list(reference), opts=options)
            # For three quantities theirs is another one, untested; that of moarchiving serves two to four.
            self.descents.NDA = lambda points, end: get_mo_archive(
                [list(point) for point in points], reference_point=end, n_obj=len(reference)
            )

    def kernel(self, start: FloatArray, spread: float) -> Any:
        """One descent, that prints nothing, writes no files and draws from a generator of its own only."""
        import comocma

        self.begun += 1
        random = np.random.default_rng([*self.seed, self.begun])
        options = {
            "bounds": [0.0, 1.0],
            "randn": lambda *shape: random.standard_normal(shape),
            "seed": np.nan,  # leave the global generator alone
            "tolx": TOLERANCE,
            "maxiter": POPULATIONS * len(start),
            "verbose": -9,
            "verb_log": 0,
            "verb_disp": 0,
            "signals_filename": "",
        }
        # Off the bounds, where the library's mapping onto them has no slope.
        return comocma.CmaKernel(np.clip(start, 0.02, 0.98), spread, options)


class Trading:
    """Descents of all families of a target; `asks`, have that judged, `tell`, again, until `exhausted`."""

    def __init__(self, target: Target, seed: int) -> None:
        self.target, self.quantities, self.seed = target, target.trade, seed
        self.front: list[_Member] = []
        self.rounds, self._unseen, self._seen = 0, 0, set[Job]()
        self._scale: tuple[FloatArray, FloatArray] | None = None
        self._used, self._taken = set[Job](), set[Job]()
        published = [name for name in target.families if name != "free"]
        self._arms = [self._over(name) for name in published]
        self._opens = OPENS if published else 0
        if "free" in target.families and not published:
            self._arms = [self._over("free")]
        self._free_due = "free" in target.families and bool(published)

    @property
    def exhausted(self) -> bool:
        """Whether nothing new is to be found."""
        return self._unseen >= IDLE

    def asks(self) -> list[Job]:
        """What is to be judged next, in order, each once."""
        if self._free_due and self.rounds == self._opens:
            self._arms.append(self._beside())
            self._free_due = False
        return list(dict.fromkeys(job for arm in self._arms for job in arm.ask()))

    def tell(self, record: Record) -> None:
        """What became of it; candidates that others asked for meanwhile count on the front as well."""
        asked = [job for arm in self._arms for job in arm.asked]
        self._unseen = 0 if set(asked) - self._seen else self._unseen + 1
        self._seen.update(asked)
        self.rounds += 1
        new = self._new(record)
        self._set_scale(list(new.values()))
        before = {each.job for each in self.front}
        self._take(new)
        for arm in self._arms:
            fresh = [each for each in self.front if each.job in set(arm.asked) - before]
            arm.idle = 0 if fresh else arm.idle + 1
            self._advance(arm, record)
        # As long as the free curve is to come, the others find where it begins.
        if not self._free_due:
            kept = [arm for arm in self._arms if arm.idle < PATIENCE or arm.family == "free"]
            self._arms = kept or self._arms[:1]

    def _new(self, record: Record) -> dict[Job, tuple[float, ...]]:
        """Costs of all candidates judged since the last time, whoever asked for them, in order of their numbers."""
        fresh = [job for job in record.outcomes if job.setting == SETTING and job not in self._taken]
        fresh.sort(key=lambda job: record.numbers[job.family, job.vector])
        self._taken.update(fresh)
        return {job: costs for job in fresh if (costs := costs_of(record.outcomes[job], self.quantities))}

    def _advance(self, arm: _Arm, record: Record) -> None:
        points = [self._point(record.outcomes[job]) for job in arm.asked]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library warns of flat populations, which end in a restart here
            if arm.descents is None:
                arm.begin([REFERENCE] * len(self.quantities), lambda _: self._another(arm))
            else:
                arm.descents.tell([job.vector for job in arm.asked], points)

    def _another(self, arm: _Arm) -> Any:
        """A descent where one of an arm's has converged: from the loneliest candidate on the front not begun from."""
        place = self._loneliest()
        if place is None:
            random = np.random.default_rng([*arm.seed, arm.begun, 1])
            return arm.kernel(random.random(len(arm.starts[0])), SPREAD)
        self._used.add(place)
        return arm.kernel(self._in(arm.family, place), AGAIN)

    def _loneliest(self) -> Job | None:
        """Of the candidates on the front, the one farthest from its nearest, quantities scaled."""
        points = np.array([self._scaled(each.costs) for each in self.front])
        best, farthest = None, -1.0
        for i, each in enumerate(self.front):
            others = np.delete(points, i, axis=0)
            distance = float(np.linalg.norm(others - points[i], axis=1).min()) if len(others) else 0.0
            if distance > farthest and each.job not in self._used:
                best, farthest = each.job, distance
        return best

    def _take(self, new: dict[Job, tuple[float, ...]]) -> None:
        """Put candidates on the common front where nothing beats them."""
        known = {each.job for each in self.front}
        members = [*self.front, *(_Member(job, costs) for job, costs in new.items() if job not in known)]
        if members:
            keep = nondominated(np.array([each.costs for each in members]))
            self.front = [each for each, kept in zip(members, keep.tolist(), strict=True) if kept]

    def _set_scale(self, costs: Sequence[tuple[float, ...]]) -> None:
        """By the first population with a candidate that keeps the limits."""
        if self._scale is None and costs:
            found = np.array(costs)
            low, high = found.min(axis=0), found.max(axis=0)
            self._scale = low, np.where(high > low, high - low, np.maximum(np.abs(high), 1.0))

    def _scaled(self, costs: Sequence[float]) -> FloatArray:
        assert self._scale is not None  # there are costs
        return np.asarray((np.array(costs) - self._scale[0]) / self._scale[1])

    def _point(self, outcome: Outcome) -> list[float]:
        """Scaled quantities; of what breaks a limit beyond the reference in all of them, by how much it breaks."""
        costs = costs_of(outcome, self.quantities)
        if costs is not None:
            return [float(value) for value in self._scaled(costs)]
        broken = max(0.0, outcome.rank - BROKEN_LIMIT)
        return [REFERENCE + 1.0 + broken / (1.0 + broken)] * len(self.quantities)

    def _over(self, family: str) -> _Arm:
        """Over a whole family, from its middle and from anywhere."""
        seed = [self.seed, families().index(family), 200]
        size = len(self._space(family).names)
        random = np.random.default_rng([*seed, 1])
        return _Arm(family, [np.full(size, 0.5), *random.random((DESCENTS - 1, size))], SPREAD, [*seed, 2])

    def _beside(self) -> _Arm:
        """The free curve, from shapes spread along the front of the other families."""
        arm = self._over("free")
        ordered = sorted(self.front, key=lambda each: each.costs)
        if not ordered:
            return arm
        places = np.unique(np.round(np.linspace(0, len(ordered) - 1, DESCENTS)).astype(int)).tolist()
        return _Arm("free", [self._in("free", ordered[i].job) for i in places], BESIDE, arm.seed)

    def _in(self, family: str, job: Job) -> FloatArray:
        """A candidate as a vector of a family."""
        if job.family == family:
            return np.array(job.vector)
        return self._space(family).vector(waveguide_of(self.target, job.family, job.vector))

    def _space(self, family: str) -> ParameterSpace:
        return ParameterSpace(family, self.target.limits, self.target.driver, self.target.mounting)


def along(jobs: Sequence[tuple[Job, tuple[float, ...]]], most: int) -> list[Job]:
    """At most so many candidates that nothing beats, spread along their front; its ends are among them."""
    if not jobs:
        return []
    keep = nondominated(np.array([costs for _, costs in jobs]))
    front = sorted((each for each, kept in zip(jobs, keep.tolist(), strict=True) if kept), key=lambda each: each[1])
    places = np.unique(np.round(np.linspace(0, len(front) - 1, most)).astype(int)).tolist()
    return [front[i][0] for i in places]
