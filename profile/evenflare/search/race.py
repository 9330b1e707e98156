"""Descents that compete for candidates, none of which knows how many there are to come.

A descent looks over a family, or begins at a shape that is known, goes down by least squares, and ends where nothing
more is to be gained, or where what it gains will not bring it near the best. Then another begins, of the family that
promises most. In a robust search descents go down by the drawn shape, a third of the work, and where that ends near the
best, on by what units are expected to score: about shapes so good is where it makes the difference. What is asked
depends on outcomes in the order asked for alone, never on time, on how many workers there are or on how many candidates
may be asked for: a run is the beginning of every longer one.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from evenflare.search.evolution import Evolution, Vector, quantised
from evenflare.search.least_squares import Point, descended, measured_slopes
from evenflare.search.record import Record
from evenflare.search.stages import Stage
from evenflare.search.starts import Start
from evenflare.search.worker import Job, Outcome, waveguide_of
from evenflare.target.target import Target
from evenflare.units import FloatArray
from evenflare.waveguide import ParameterSpace, families

Asking = Generator[list[Job], Sequence[Outcome], str]
"""Yields what is to be judged, is sent what became of it, and returns how it ended, in words."""

SPREAD = 0.3
"""Initial standard deviation on [0, 1] of a look over a family."""
LOOKS, LOOKS_AT_MANY = 2, 4
"""Populations of a look, of a family with up to FEW variables and with more."""
FEW = 5
MOST_LOOKS = 20
"""Populations after which a look that found no shape within the limits gives up."""
SIDE_BY_SIDE = 2
"""Descents kept going once the first ones have ended."""
HOPS = (0.05, 0.15)
"""Standard deviations on [0, 1] with which a descent begins beside the best, in turns with one that begins anywhere."""
HOPPERS = 4
"""Shapes beside the best, of which a descent takes the best."""
PATIENCE = 5.0
"""A descent ends when so many steps like its last one would not bring it to the best."""
NEAR = 0.03
"""dB behind the best, up to which the end of a descent is judged, and brought further down, at full."""
FULL_ROUNDS = 8
"""Of steps at full, at most: the slopes of the screen, which are at hand, bring most of what there is."""
CURIOSITY = 0.1
"""Of the best score, by which a family of few descents is thought better than its best: see `Race._promising`."""


@dataclass
class Descent:
    """One descent: its family, how it began, what it asks for, its best (dB, at screen, as drawn), and how it ended."""

    family: str
    began: str
    asking: Asking
    asked: list[Job] = field(default_factory=list)
    best: Point | None = None
    end: str = ""


@dataclass(frozen=True)
class FamilyOutcome:
    """What became of a family: the candidates of it that were asked for, and how its descents ended.

    best : dB at screen, as drawn, None without a shape that keeps the limits.
    ends : by descent, how it began and how it ended, the last empty while it goes on.
    """

    family: str
    candidates: int
    best: float | None
    ends: tuple[tuple[str, str], ...]

    @property
    def words(self) -> str:
        """How they ended: the first, which says most of a family, and how many more there were."""
        if not self.ends:
            return ""
        began, ended = self.ends[0]
        more = len(self.ends) - 1
        return f"{began}: {ended or 'goes on'}" + (f"; {more} more" if more else "")


class Race:
    """Descents of all families of a target; `asks`, have that judged, `tell`, again."""

    def __init__(self, target: Target, seed: int, starts: Sequence[Start] = ()) -> None:
        self.target, self.seed = target, seed
        # Where descents look about, and are held against each other.
        self.screen: Stage = "screen" if target.robust is None else "drawn"
        self.descents: list[Descent] = []
        self.best: Point | None = None
        self._later = {family: self._beginnings(family) for family in target.families}
        for start in starts:
            self._open(start.family, start.name, self._from_shape(start.family, start.vector, counts=True))
        for family in target.families:
            middle = np.full(len(self._space(family).names), 0.5)
            self._open(family, "a look from its middle", self._look(family, middle, self._seed(family, 0)))

    @property
    def going(self) -> list[Descent]:
        """Descents that have not ended."""
        return [descent for descent in self.descents if not descent.end]

    def asks(self) -> list[Job]:
        """What is to be judged next, in order, each once."""
        while len(self.going) < SIDE_BY_SIDE:
            family = self._promising()
            began, asking = next(self._later[family])
            self._open(family, began, asking)
        return list(dict.fromkeys(job for descent in self.going for job in descent.asked))

    def tell(self, record: Record) -> None:
        """What became of it."""
        for descent in self.going:
            self._go_on(descent, [record.outcomes[job] for job in descent.asked])

    def _open(self, family: str, began: str, asking: Asking) -> None:
        descent = Descent(family, began, asking)
        self.descents.append(descent)
        self._go_on(descent, None)

    def _go_on(self, descent: Descent, outcomes: Sequence[Outcome] | None) -> None:
        """Let a descent take in what became of what it asked, and ask for more or end."""
        for job, outcome in zip(descent.asked, outcomes or (), strict=True):
            if job.setting != self.screen or not outcome.feasible:
                continue
            point = Point(job.family, np.array(job.vector), job.setting, outcome)
            descent.best = _better(descent.best, point)
            self.best = _better(self.best, point)
        try:
            descent.asked = descent.asking.send(outcomes) if outcomes is not None else next(descent.asking)
        except StopIteration as end:
            descent.asked, descent.end = [], end.value

    def standings(self, record: Record) -> tuple[FamilyOutcome, ...]:
        """Of each family, in the target's order."""
        counted, found = Counter(family for family, _ in record.numbers), []
        for family in self.target.families:
            ends = tuple((each.began, each.end) for each in self.descents if each.family == family)
            best = self.best_of(family)
            found.append(FamilyOutcome(family, counted[family], None if best is None else best.value, ends))
        return tuple(found)

    def best_of(self, family: str) -> Point | None:
        """At screen."""
        best = None
        for descent in self.descents:
            if descent.family == family and descent.best is not None:
                best = _better(best, descent.best)
        return best

    def _promising(self) -> str:
        """The family for the next descent: that of the lowest score, less what its few descents may not have shown yet.

        Source: the confidence bound of P. Auer and others, Machine Learning 47 (2002), 235, UCB1, its scale ours.
        """
        begun = Counter(descent.family for descent in self.descents)

        def bound(family: str) -> tuple[float, int]:
            best, count = self.best_of(family), begun[family]
            if best is None or self.best is None:
                return math.inf, count
            unknown = math.sqrt(2.0 * math.log(len(self.descents)) / max(1, count))
            return best.value - CURIOSITY * self.best.value * unknown, count

        return min(self.target.families, key=bound)

    def _beginnings(self, family: str) -> Iterator[tuple[str, Asking]]:
        """How the later descents of a family begin: a free one first at the best shapes of others, all then in turns
        beside the best of all and anywhere.
        """
        if family == "free":
            others = [name for name in self.target.families if name != "free"]
            ranked = sorted((best.value, name) for name in others if (best := self.best_of(name)) is not None)
            for _, name in ranked[: len(HOPS)]:
                best = self.best_of(name)
                assert best is not None  # it is ranked
                member = waveguide_of(self.target, name, quantised(best.vector))
                yield f"the best {name} shape", self._from_shape(family, quantised(self._space(family).vector(member)))
        for turn in itertools.count():
            seed = self._seed(family, turn + 1)
            random = np.random.default_rng(seed)
            if turn % 2 == 0 and self.best_of(family) is not None:
                yield "beside its best", self._beside_best(family, HOPS[turn // 2 % len(HOPS)], random)
            else:
                middle = random.random(len(self._space(family).names))
                yield "a look from anywhere", self._look(family, middle, seed)

    def _seed(self, family: str, turn: int) -> list[int]:
        return [self.seed, families().index(family), turn]

    def _space(self, family: str) -> ParameterSpace:
        return ParameterSpace(family, self.target.limits, self.target.driver, self.target.mounting)

    def _from_shape(self, family: str, vector: Vector, *, counts: bool = False) -> Asking:
        """A descent that begins at a shape; counts: which is judged at full as well, whatever comes of it."""
        settings = list(dict.fromkeys([self.screen, "screen", "full"] if counts else [self.screen]))
        outcome, *_ = yield [Job(family, vector, setting) for setting in settings]
        if not outcome.feasible:
            return f"it cannot be begun from: {outcome.reason}"
        return (yield from self._down(Point(family, np.array(vector), self.screen, outcome)))

    def _beside_best(self, family: str, spread: float, random: np.random.Generator) -> Asking:
        """A descent that begins beside the best shape of its family."""
        best = self.best_of(family)
        assert best is not None  # else it begins anywhere
        aside = spread * random.standard_normal((HOPPERS, best.vector.size))
        jobs = list(dict.fromkeys(best.job(best.vector + each) for each in aside))
        return (yield from self._down_from_best_of(jobs, (yield jobs)))

    def _look(self, family: str, middle: FloatArray, seed: Sequence[int]) -> Asking:
        """A descent that begins where an evolution finds to after a few populations."""
        evolution = Evolution(middle, spread=SPREAD, seed=seed)
        found: dict[Job, Outcome] = {}
        for population in range(1, MOST_LOOKS + 1):
            jobs = [Job(family, vector, self.screen) for vector in evolution.ask()]
            outcomes = yield jobs
            found |= zip(jobs, outcomes, strict=True)
            looks = LOOKS if middle.size <= FEW else LOOKS_AT_MANY
            if population >= looks and any(outcome.feasible for outcome in found.values()):
                break
            if population >= 2 * looks and self.best is not None:  # others do better
                break
            evolution.tell([outcome.rank for outcome in outcomes])
        return (yield from self._down_from_best_of(list(found), list(found.values())))

    def _down_from_best_of(self, jobs: Sequence[Job], outcomes: Sequence[Outcome]) -> Asking:
        """A descent on from the best of some shapes."""
        job, outcome = min(zip(jobs, outcomes, strict=True), key=lambda each: (each[1].rank, each[0].vector))
        if not outcome.feasible:
            return f"no shape was found that keeps the limits and can be solved; the nearest {outcome.reason}"
        return (yield from self._down(Point(job.family, np.array(job.vector), self.screen, outcome)))

    def _down(self, point: Point) -> Asking:
        """On from a point: down by least squares at screen, and where that ends near the best, at full."""
        slopes = yield from measured_slopes(point)
        if point.vector.size:  # limits may leave nothing to vary
            point, slopes = yield from descended(point, slopes, goes_on=self._is_worth_while)
        behind = point.value - self._lowest
        if behind > NEAR:
            return f"ended at {point.value:.3f} dB, {behind:.3f} dB behind the best until then"
        drawn = point.value
        if self.target.robust is not None:
            (outcome,) = yield [Job(point.family, quantised(point.vector), "screen")]
            if not outcome.feasible:
                return f"settled at {drawn:.3f} dB as drawn; as made {outcome.reason}"
            point = Point(point.family, point.vector, "screen", outcome)
            if point.vector.size:
                slopes = yield from measured_slopes(point)
                point, slopes = yield from descended(point, slopes)
        (outcome,) = yield [Job(point.family, quantised(point.vector), "full")]
        if outcome.feasible and point.vector.size:
            at_full = Point(point.family, point.vector, "full", outcome)
            yield from descended(at_full, slopes, rounds=FULL_ROUNDS, measures=False)
        as_made = "" if self.target.robust is None else f" as made, {drawn:.3f} dB as drawn before"
        return f"settled at {point.value:.3f} dB{as_made}"

    @property
    def _lowest(self) -> float:
        """dB, the best score at screen."""
        return math.inf if self.best is None else self.best.value

    def _is_worth_while(self, value: float, gain: float) -> bool:
        return value - PATIENCE * gain <= self._lowest


def _better(one: Point | None, other: Point) -> Point:
    return other if one is None or other.value < one.value else one
