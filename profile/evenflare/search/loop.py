"""The ask-tell loop: families at the screening setting, the free curve from their best, the best of all at full."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, as_completed, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from evenflare import radiation
from evenflare.files import InputError
from evenflare.objective import Score
from evenflare.radiation import Setting
from evenflare.search.descent import Descent, Vector
from evenflare.search.plan import Plan
from evenflare.search.request import request
from evenflare.search.store import Store, opened
from evenflare.search.worker import Job, Outcome, SolverFactory, evaluate, pool, starting, waveguide_of
from evenflare.target import Target
from evenflare.units import FloatArray
from evenflare.waveguide import FAMILIES, ParameterSpace, Waveguide

StoppedBy = Literal["candidates", "time", "interrupted"]

SPREAD, FREE_SPREAD, POLISH_SPREAD = 0.3, 0.15, 0.03
"""Initial standard deviations on [0, 1]: over a family, around a published shape, around a finalist."""
FREE_DESCENTS = 2
"""Run side by side from different published shapes: one misses more valleys than two with half the candidates."""
FINALISTS_PER_FAMILY = 5
SETTLED = 20
"""Candidates solved, before which the time left is a guess."""
FULL_COST = 2.0
"""Solves at the screening setting that take as long as one at full: for the estimate of the time left."""


@dataclass(frozen=True)
class Progress:
    """Where a search stands.

    done, total : candidates, a finalist counted again at the full setting.
    best        : dB, the lowest score so far at the setting that counts, None if there is none.
    rate        : candidates solved per second in this call.
    time_left   : s, None until SETTLED candidates are solved.
    stage       : what is being done, in words.
    """

    done: int
    total: int
    best: float | None
    rate: float
    time_left: float | None
    stage: str


@dataclass(frozen=True)
class Winner:
    """The best feasible candidate of a family (or of all), at the most exact setting it was judged at."""

    number: int
    family: str
    setting: Setting
    waveguide: Waveguide
    score: Score


@dataclass(frozen=True)
class SearchResult:
    """What a search found.

    best       : the winner; None if no candidate keeps the limits and can be solved.
    nearest    : without a winner, the shape that breaks the limits least, None if none could be built.
    why        : without a winner, what stands in the way: what `nearest` breaks and by how much; else empty.
    winners    : the best of each family that has one, in the target's order of families.
    gain       : dB by which the winner's score is below the best published family's; None if one of them is missing.
    stopped_by : "candidates": the whole plan was carried out; "time": `minutes` were up; "interrupted": Ctrl-C.
    plan       : shares and notes.
    asked, scored, full : distinct candidates, those solved at any setting, those solved at full.
    """

    best: Winner | None
    nearest: Waveguide | None
    winners: tuple[Winner, ...]
    gain: float | None
    stopped_by: StoppedBy
    plan: Plan
    asked: int
    scored: int
    full: int
    why: str = ""

    @property
    def feasible(self) -> bool:
        """Whether there is a winner."""
        return self.best is not None


def run_search(
    target: Target,
    folder: Path,
    *,
    target_text: str,
    workers: int = 1,
    candidates: int | None = None,
    minutes: float | None = None,
    seed: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    solver_factory: SolverFactory = radiation.solver,
    executor: Executor | None = None,
) -> SearchResult:
    """Search the target's families for the lowest score, or continue the search that `folder` holds.

    target_text : the target file's text, which with seed, candidates and version says which run the folder holds.
    workers     : processes, 1 to four for each core; `executor` takes their place, and may be another machine's.
    candidates, seed : instead of the target's.
    minutes     : after which nothing new is asked for; the best so far are still judged at full.
    progress    : called after every finished candidate.
    Errors      : InputError if the folder holds another run, another process searches in it, it cannot be written,
                  there are too few candidates, or a worker process died.
    """
    from threadpoolctl import threadpool_limits

    asked = request(target, target_text=target_text, workers=workers, candidates=candidates, seed=seed)
    deadline = None if minutes is None else time.monotonic() + 60.0 * minutes
    processes = pool(workers) if executor is None else nullcontext(executor)
    with opened(folder, asked.identity) as store, threadpool_limits(1), processes as judges:
        run = _Run(target, store, judges, solver_factory, asked.plan, asked.seed, deadline, progress)
        try:
            stopped_by = run.carry_out()
        except KeyboardInterrupt:
            stopped_by = "interrupted"
        except BrokenProcessPool as error:
            raise InputError(
                "a worker process ended unexpectedly: for lack of memory, or because a script starts the search outside"
                " `if __name__ == '__main__':`. Run it again with fewer workers: what finished is kept"
            ) from error
        return run.result(stopped_by)


@dataclass
class _Run:
    """One call of the search: what was asked so far, in order, and what became of it."""

    target: Target
    store: Store
    judges: Executor
    factory: SolverFactory
    plan: Plan
    seed: int
    deadline: float | None
    progress: Callable[[Progress], None] | None
    numbers: dict[tuple[str, Vector], int] = field(default_factory=dict)
    outcomes: dict[Job, Outcome] = field(default_factory=dict)
    lowest: dict[Setting, float] = field(default_factory=dict)
    stage: str = ""
    solved: int = 0
    due: dict[str, int] = field(default_factory=dict)
    effort: float = 0.0
    began: float = field(default_factory=time.monotonic)

    def carry_out(self) -> StoppedBy:
        """All steps; says what ended them."""
        screens = sum(self.plan.published.values()) + self.plan.free
        self.due = {"screen": screens, "final": min(self.plan.finalists, screens), "polish": self.plan.polish}
        self.stage = "published families"
        in_time = self.descend([self.published(family, share) for family, share in self.plan.published.items()])
        if in_time and self.plan.free:
            self.stage = "free curve"
            in_time = self.descend(self.free())
        self.stage = "the best at full setting"
        finalists = self.finalists()
        self.due = {
            "screen": sum(job.setting == "screen" for job in self.outcomes),
            "final": len(finalists),
            "polish": self.plan.polish if in_time and finalists else 0,
        }
        self.judge(finalists)
        if in_time:
            self.stage = "polishing at full setting"
            in_time = self.descend(self.polish())
        return "candidates" if in_time else "time"

    def published(self, family: str, share: int) -> Descent:
        """Over a whole family, from its middle, then from anywhere."""
        seed = [self.seed, FAMILIES.index(family), 0]
        size = len(self.space(family).names)

        def start(run: int) -> FloatArray:
            return np.full(size, 0.5) if run == 0 else np.random.default_rng([*seed, 1, run]).random(size)

        return Descent(family, size, share=share, setting="screen", start=start, spread=SPREAD, seed=seed)

    def free(self) -> list[Descent]:
        """Over the free curve, each run from the best of another published family; without any, from anywhere."""
        best = [self.best("screen", [family]) for family in self.plan.published]
        ranked = sorted((each for each in best if each), key=lambda job: self.outcomes[job].rank)
        space = self.space("free")
        starts = [space.vector(waveguide_of(self.target, job.family, job.vector)) for job in ranked]
        if not starts:
            random = np.random.default_rng([self.seed, FAMILIES.index("free"), 9])
            starts = [np.full(len(space.names), 0.5), *random.random((20, len(space.names)))]

        def starting(first: int) -> Callable[[int], FloatArray]:
            return lambda run: starts[(first + FREE_DESCENTS * run) % len(starts)]

        share, rest = divmod(self.plan.free, FREE_DESCENTS)
        return [
            Descent(
                "free",
                len(space.names),
                share=share + (rest if i == 0 else 0),
                setting="screen",
                start=starting(i),
                spread=FREE_SPREAD if ranked else SPREAD,
                seed=[self.seed, FAMILIES.index("free"), i],
            )
            for i in range(FREE_DESCENTS)
        ]

    def polish(self) -> list[Descent]:
        """Near the best published and the best free finalist, so that neither gains by a setting's error alone."""
        groups = [tuple(self.plan.published), ("free",)]
        best = [job for group in groups if (job := self.best("full", group))]
        share, rest = divmod(self.plan.polish, max(1, len(best)))
        return [
            Descent(
                job.family,
                len(job.vector),
                share=share + (rest if i == 0 else 0),
                setting="full",
                start=lambda run, vector=job.vector: np.array(vector),  # type: ignore[misc]
                spread=POLISH_SPREAD,
                seed=[self.seed, FAMILIES.index(job.family), 100],
            )
            for i, job in enumerate(best)
        ]

    def finalists(self) -> list[Job]:
        """The best by the screening setting, and the best few of each family whatever their place."""
        ranked = self.ranked("screen", FAMILIES)
        chosen = set(ranked[: self.plan.finalists])
        for family in self.target.families:
            chosen.update(self.ranked("screen", [family])[:FINALISTS_PER_FAMILY])
        return [job._replace(setting="full") for job in ranked if job in chosen]

    def descend(self, descents: Sequence[Descent]) -> bool:
        """Run all side by side, a population of each at a time, until their shares are used; False if time is up."""
        while busy := [descent for descent in descents if not descent.finished]:
            if self.deadline is not None and time.monotonic() >= self.deadline:
                return False
            asked = [[Job(each.family, vector, each.setting) for vector in each.ask()] for each in busy]
            new = [len({job for job in jobs if job not in self.outcomes}) for jobs in asked]
            self.judge([job for jobs in asked for job in jobs])
            for descent, jobs, count in zip(busy, asked, new, strict=True):
                descent.tell([self.outcomes[job].rank for job in jobs], new=count)
        return True

    def judge(self, jobs: Sequence[Job]) -> None:
        """Number the jobs in order, take what is finished from the store, have the rest solved, keep each at once."""
        waiting: dict[Future[Outcome], tuple[int, Job]] = {}
        try:
            for job in dict.fromkeys(jobs):
                number = self.numbers.setdefault((job.family, job.vector), len(self.numbers) + 1)
                if job in self.outcomes:
                    continue
                known = self.store.found(number, job)
                if known is None:
                    with starting():
                        future = self.judges.submit(evaluate, self.target, self.factory, job)
                    waiting[future] = number, job
                else:
                    self.note(job, known)
            for future in as_completed(list(waiting)):
                self.keep(future, *waiting[future])
                del waiting[future]
        except KeyboardInterrupt:
            for future in waiting:
                future.cancel()
            for future in wait(waiting).done:  # those that were being solved
                if not future.cancelled() and future.exception() is None:
                    self.keep(future, *waiting[future])
            raise

    def keep(self, future: Future[Outcome], number: int, job: Job) -> None:
        """Store a finished candidate and report."""
        outcome = future.result()
        self.store.add(number, job, outcome)
        self.note(job, outcome)
        self.solved += 1
        self.effort += FULL_COST if job.setting == "full" else 1.0
        if self.progress is not None:
            self.progress(self.standing())

    def note(self, job: Job, outcome: Outcome) -> None:
        """Remember what became of a candidate."""
        self.outcomes[job] = outcome
        if outcome.feasible:
            self.lowest[job.setting] = min(outcome.rank, self.lowest.get(job.setting, np.inf))

    def standing(self) -> Progress:
        """The progress at this moment."""
        screen, full = self.due["screen"], self.due["final"] + self.due["polish"]
        done_full = sum(job.setting == "full" for job in self.outcomes)
        done_screen = len(self.outcomes) - done_full
        left = max(0, screen - done_screen) + FULL_COST * max(0, full - done_full)
        seconds = max(time.monotonic() - self.began, 1e-9)
        time_left = left * seconds / self.effort if self.solved >= SETTLED else None
        if self.deadline is not None and time_left is not None:
            time_left = min(time_left, max(0.0, self.deadline - time.monotonic()))
        best = self.lowest.get("full", self.lowest.get("screen"))
        return Progress(len(self.outcomes), screen + full, best, self.solved / seconds, time_left, self.stage)

    def ranked(self, setting: str, families: Sequence[str]) -> list[Job]:
        """The feasible candidates of some families at a setting, best first, then in order of their numbers."""
        found = [job for job, outcome in self.outcomes.items() if outcome.feasible and job.setting == setting]
        mine = [job for job in found if job.family in families]
        return sorted(mine, key=lambda job: (self.outcomes[job].rank, self.numbers[job.family, job.vector]))

    def best(self, setting: str, families: Sequence[str]) -> Job | None:
        """The first of `ranked`, or None."""
        return next(iter(self.ranked(setting, families)), None)

    def space(self, family: str) -> ParameterSpace:
        """Of a family within the target's limits."""
        return ParameterSpace(family, self.target.limits, self.target.driver, self.target.mounting)

    def winner(self, families: Sequence[str]) -> Winner | None:
        """The best of some families: at full if any was judged there, else by screening."""
        job = self.best("full", families) or self.best("screen", families)
        if job is None:
            return None
        outcome = self.outcomes[job]
        score = Score(float(outcome.rank), outcome.terms, outcome.constraints)
        waveguide = waveguide_of(self.target, job.family, job.vector)
        return Winner(self.numbers[job.family, job.vector], job.family, job.setting, waveguide, score)

    def result(self, stopped_by: StoppedBy) -> SearchResult:
        """What was found so far."""
        best = self.winner(FAMILIES)
        published = self.winner(tuple(self.plan.published))
        alike = best is not None and published is not None and best.setting == published.setting
        nearest = None
        if best is None:
            built = [job for job, outcome in self.outcomes.items() if outcome.constraints]
            if built:
                job = min(built, key=lambda each: self.outcomes[each].rank)
                nearest = waveguide_of(self.target, job.family, job.vector)
        solved = [job for job, outcome in self.outcomes.items() if outcome.value is not None]
        return SearchResult(
            best=best,
            nearest=nearest,
            winners=tuple(found for family in self.target.families if (found := self.winner([family]))),
            gain=published.score.value - best.score.value if alike and best and published else None,
            stopped_by=stopped_by,
            plan=self.plan,
            asked=len(self.numbers),
            scored=len({(job.family, job.vector) for job in solved}),
            full=sum(job.setting == "full" for job in solved),
            why="" if best else self.obstacle(),
        )

    def obstacle(self) -> str:
        """What the nearest shape breaks, and by how much; where none breaks a limit, why most were not solved."""
        built = [(outcome.rank, job) for job, outcome in self.outcomes.items() if outcome.constraints]
        if not built:
            reasons = Counter(outcome.reason for outcome in self.outcomes.values()).most_common(1)
            return f"no shape could be built: {reasons[0][0]}" if reasons else ""
        _, job = min(built)
        nearest = self.outcomes[job]
        broken = Counter(name for each in self.outcomes.values() for name, by in each.constraints.items() if by > 0)
        if not any(excess > 0 for excess in nearest.constraints.values()):
            return f"the nearest, of family {job.family}, cannot be solved: {nearest.reason}"
        often, times = broken.most_common(1)[0]
        return (
            f"the nearest, of family {job.family}, {nearest.reason}; most often broken is {often}, by {times} of"
            f" {len(self.outcomes)}"
        )
