"""The ask-tell loop: families by cheap settings, the free curve from their best, the best of all at full."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future, as_completed, wait
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from evenflare.files import InputError
from evenflare.radiation import SETTINGS, Setting, method_for
from evenflare.search import ladder
from evenflare.search.descent import Descent
from evenflare.search.judging import factory_for
from evenflare.search.ladder import RankAgreement, Staging
from evenflare.search.plan import Plan
from evenflare.search.pool import Judges, losses, pool
from evenflare.search.progress import FREE_STANDING_COST, OBLONG_COST, ROUND_COST, STANDING_OBLONG_COST, Pace, Progress
from evenflare.search.record import Record
from evenflare.search.request import request
from evenflare.search.result import SearchResult, StoppedBy, result
from evenflare.search.starts import Start
from evenflare.search.store import Store, opened
from evenflare.search.worker import LOST, Job, Outcome, SolverFactory, evaluate, waveguide_of
from evenflare.target.target import Target
from evenflare.units import FloatArray
from evenflare.waveguide import ParameterSpace, families

SPREAD, FREE_SPREAD, POLISH_SPREAD = 0.3, 0.15, 0.03
"""Initial standard deviations on [0, 1]: over a family, around a published shape, around a finalist."""
FREE_DESCENTS = 2
"""Run side by side from different published shapes: one misses more valleys than two with half the candidates."""
FINALISTS_PER_FAMILY = 5
MOST_LOST = 3
"""Candidates of a population that may end their processes, or half of it if that is more; beyond, it is not they."""


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
    solver_factory: SolverFactory | None = None,
    executor: Judges | None = None,
    starts: Sequence[Start] = (),
) -> SearchResult:
    """Search the target's families for the lowest score, or continue the search that `folder` holds.

    target_text : the target file's text, which with seed, candidates and version says which run the folder holds.
    workers     : processes, 1 to four for each core; `executor` takes their place, and may be another machine's.
    candidates, seed : instead of the target's.
    minutes     : after which nothing new is asked for; the best so far are still judged at full.
    progress    : called after every finished candidate.
    starts      : shapes that are judged first and at full: the search ends no worse than the best of them.
    solver_factory : of the stages' solvers, instead of `factory_for` the target's mounting.
    Errors      : InputError if the folder holds another run, another process searches in it, it cannot be written or
                  was moved, there are too few candidates, or worker processes cannot be started or keep being killed.
                  One that is killed now and then costs its candidate a second try; if that ends its process as well,
                  the candidate counts as failed.
    """
    from threadpoolctl import threadpool_limits

    asked = request(target, target_text=target_text, workers=workers, candidates=candidates, seed=seed, starts=starts)
    deadline = None if minutes is None else time.monotonic() + 60.0 * minutes
    processes = pool(workers) if executor is None else nullcontext(executor)
    with opened(folder, asked.identity) as store, threadpool_limits(1), processes as judges:
        factory = solver_factory or factory_for(target.mounting, oblong=target.oblong)
        run = _Run(target, store, judges, factory, asked.plan, asked.seed, deadline, progress, tuple(starts))
        try:
            stopped_by = run.carry_out()
        except KeyboardInterrupt:
            stopped_by = "interrupted"
        except BrokenExecutor as error:  # somebody else's, which does not try again
            raise InputError(
                "a worker process ended unexpectedly: for lack of memory, or because a script starts the search outside"
                " `if __name__ == '__main__':`. Run it again with fewer workers: what finished is kept"
            ) from error
        return result(target, run.record, asked.plan, stopped_by, run.agreements())


@dataclass
class _Run:
    """One call of the search: what was asked so far, in order, and what became of it."""

    target: Target
    store: Store
    judges: Judges
    factory: SolverFactory
    plan: Plan
    seed: int
    deadline: float | None
    progress: Callable[[Progress], None] | None
    starts: tuple[Start, ...] = ()
    record: Record = field(default_factory=Record)
    staging: Staging | None = None
    pace: Pace = field(default_factory=lambda: Pace(ROUND_COST))
    step: str = ""
    due: dict[str, int] = field(default_factory=dict)

    def carry_out(self) -> StoppedBy:
        """All steps; says what ended them."""
        if "estimate" in ladder.stages(self.target):
            costs = OBLONG_COST if method_for(self.target.mounting) == "march" else STANDING_OBLONG_COST
            self.staging, self.pace = Staging("estimate", "screen"), Pace(costs)
        elif method_for(self.target.mounting) != "march":
            self.pace = Pace(FREE_STANDING_COST)
        screens = sum(self.plan.published.values()) + self.plan.free
        self.due = {"screen": screens, "final": min(self.plan.finalists, screens), "polish": self.plan.polish}
        if self.starts:
            self.step = "starts"
            for setting in ("screen", "full"):
                self.judge([Job(each.family, each.vector, setting) for each in self.starts])
        self.step = "published families"
        in_time = self.descend([self.published(family, share) for family, share in self.plan.published.items()])
        if in_time and self.plan.free:
            self.step = "free curve"
            in_time = self.descend(self.free())
        self.step = "the best at full setting"
        finalists = self.finalists()
        self.due = {
            "screen": self.record.reached,
            "final": len(finalists),
            "polish": self.plan.polish if in_time and finalists else 0,
        }
        self.judge(finalists)
        if in_time:
            self.step = "polishing at full setting"
            in_time = self.descend(self.polish())
        return "candidates" if in_time else "time"

    def published(self, family: str, share: int) -> Descent:
        """Over a whole family, from its middle, then from anywhere."""
        seed = [self.seed, families().index(family), 0]
        size = len(self.space(family).names)

        def start(run: int) -> FloatArray:
            return np.full(size, 0.5) if run == 0 else np.random.default_rng([*seed, 1, run]).random(size)

        return Descent(family, size, share=share, setting="screen", start=start, spread=SPREAD, seed=seed)

    def free(self) -> list[Descent]:
        """Over the free curve, each run from the best of another published family; without any, from anywhere."""
        best = [self.record.best("screen", [family]) for family in self.plan.published]
        ranked = sorted((each for each in best if each), key=lambda job: self.record.outcomes[job].rank)
        space = self.space("free")
        starts = [space.vector(waveguide_of(self.target, job.family, job.vector)) for job in ranked]
        if not starts:
            random = np.random.default_rng([self.seed, families().index("free"), 9])
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
                seed=[self.seed, families().index("free"), i],
            )
            for i in range(FREE_DESCENTS)
        ]

    def polish(self) -> list[Descent]:
        """Near the best published and the best free finalist, so that neither gains by a setting's error alone."""
        groups = [tuple(self.plan.published), ("free",)]
        best = [job for group in groups if (job := self.record.best("full", group))]
        share, rest = divmod(self.plan.polish, max(1, len(best)))
        return [
            Descent(
                job.family,
                len(job.vector),
                share=share + (rest if i == 0 else 0),
                setting="full",
                start=lambda run, vector=job.vector: np.array(vector),  # type: ignore[misc]
                spread=POLISH_SPREAD,
                seed=[self.seed, families().index(job.family), 100],
            )
            for i, job in enumerate(best)
        ]

    def finalists(self) -> list[Job]:
        """The best by the screening setting, and the best few of each family whatever their place."""
        ranked = self.record.ranked("screen", families())
        chosen = set(ranked[: self.plan.finalists])
        for family in self.target.families:
            chosen.update(self.record.ranked("screen", [family])[:FINALISTS_PER_FAMILY])
        return [job._replace(setting="full") for job in ranked if job in chosen]

    def descend(self, descents: Sequence[Descent]) -> bool:
        """Run all side by side, a population of each at a time, until their shares are used; False if time is up."""
        while busy := [descent for descent in descents if not descent.finished]:
            if self.deadline is not None and time.monotonic() >= self.deadline:
                return False
            asked = [[Job(each.family, vector, each.setting) for vector in each.ask()] for each in busy]
            new = [len({job for job in jobs if not self.known(job)}) for jobs in asked]
            if self.staging is None or self.staging.left_out or busy[0].setting != self.staging.upper:
                self.judge([job for jobs in asked for job in jobs])
                ranks = [[self.record.outcomes[job].rank for job in jobs] for jobs in asked]
            else:
                ranks = self.climb(self.staging, asked, [self.staging.whole(each.populations) for each in busy])
            for descent, each, count in zip(busy, ranks, new, strict=True):
                descent.tell(each, new=count)
        return True

    def climb(self, staging: Staging, populations: Sequence[Sequence[Job]], whole: Sequence[bool]) -> list[list[float]]:
        """Judge populations at the lower stage, and those of each that go on at the upper one; ranks of each."""
        lower = [[job._replace(setting=staging.lower) for job in jobs] for jobs in populations]
        self.judge([job for jobs in lower for job in jobs])
        below = [[self.record.outcomes[job] for job in jobs] for jobs in lower]
        chosen = [ladder.going_on(each, whole=all_of_it) for each, all_of_it in zip(below, whole, strict=True)]
        upper = [
            [job if goes else None for job, goes in zip(jobs, going, strict=True)]
            for jobs, going in zip(populations, chosen, strict=True)
        ]
        self.judge([job for jobs in upper for job in jobs if job])
        above = [[self.record.outcomes[job] if job else None for job in jobs] for jobs in upper]
        for low, up, all_of_it in zip(below, above, whole, strict=True):
            if all_of_it:
                staging.compare(low, up)
        staging.review(len(self.record.numbers))
        return [ladder.ranks(low, up) for low, up in zip(below, above, strict=True)]

    def known(self, job: Job) -> bool:
        """Whether a descent that asks for this need not count it: it was judged there, or by the stage before."""
        before = [self.staging.lower] if self.staging and job.setting == self.staging.upper else []
        return self.record.known(job, [job.setting, *before])

    def judge(self, jobs: Sequence[Job]) -> None:
        """Number the jobs in order, take what is finished from the store, have the rest solved, keep each at once."""
        waiting: dict[Future[Outcome], tuple[int, Job]] = {}
        self.pace.resume()
        try:
            for job in dict.fromkeys(jobs):
                number = self.record.number(job)
                if job in self.record.outcomes:
                    continue
                known = self.store.found(number, job)
                if known is None:
                    future = self.judges.submit(evaluate, self.target, self.factory, job)
                    waiting[future] = number, job
                else:
                    self.record.note(job, known)
            count, lost = len(waiting), list[tuple[int, Job]]()
            for future in as_completed(list(waiting)):
                if isinstance(future.exception(), losses(self.judges)):
                    lost.append(waiting[future])
                else:
                    self.keep(future.result(), *waiting[future])
                del waiting[future]
            self.try_again(lost, most=max(MOST_LOST, count // 2))
        except (KeyboardInterrupt, InputError) as end:
            for future in waiting:
                future.cancel()
            for future in wait(waiting).done if isinstance(end, KeyboardInterrupt) else ():  # those being solved
                if not future.cancelled() and future.exception() is None:
                    self.keep(future.result(), *waiting[future])
            raise

    def try_again(self, lost: Sequence[tuple[int, Job]], *, most: int) -> None:
        """Have candidates solved whose processes were killed, each alone: memory is plenty, and none dies for another.

        The second time, it counts as failed. InputError if more than `most` do.
        """
        failed = []
        for number, job in lost:
            future = self.judges.submit(evaluate, self.target, self.factory, job)
            if not isinstance(future.exception(), losses(self.judges)):
                self.keep(future.result(), number, job)
                continue
            failed.append((number, job))
            if len(failed) > most:  # they are not stored: elsewhere they may well be solved
                raise InputError(
                    f"worker processes keep being killed, and {len(failed)} candidates are not solved for it: most"
                    " likely for lack of memory. Run the same command again with fewer workers: what finished is kept"
                )
        for number, job in failed:
            self.keep(Outcome(None, False, {}, {}, {}, LOST), number, job)

    def keep(self, outcome: Outcome, number: int, job: Job) -> None:
        """Store a finished candidate and report."""
        self.store.add(number, job, outcome)
        self.record.note(job, outcome)
        self.pace.note(job.setting)
        if self.progress is not None:
            self.progress(self.standing())

    def standing(self) -> Progress:
        """The progress at this moment."""
        judged, staging, full = self.record.judged, self.staging, self.due["final"] + self.due["polish"]
        asked = max(0, self.due["screen"] - self.record.reached)
        left: dict[Setting, int] = {"screen": asked, "full": max(0, full - judged["full"])}
        if staging is not None and not staging.left_out:
            left |= {"estimate": asked, "screen": round(asked * ladder.EXPECTED)}
        time_left = self.pace.left(left)
        finals = self.pace.left({"full": max(0, self.due["final"] - judged["full"])})
        if self.deadline is not None and time_left is not None and finals is not None:
            time_left = min(time_left, max(0.0, self.deadline - time.monotonic()) + finals)
        return Progress(
            done=judged.total(),
            total=judged.total() + sum(left.values()),
            best=next((self.record.lowest[each] for each in SETTINGS[::-1] if each in self.record.lowest), None),
            rate=self.pace.rate,
            time_left=time_left,
            stage=self.step if staging is None or not staging.left_out else f"{self.step}, without estimates",
            judged=dict(judged),
            agreement=staging.agreement if staging else None,
        )

    def agreements(self) -> tuple[RankAgreement, ...]:
        """Of each stage with the next."""
        screened = self.record.agreement("screen", "full")
        return (self.staging.agreement, screened) if self.staging else (screened,)

    def space(self, family: str) -> ParameterSpace:
        """Of a family within the target's limits."""
        return ParameterSpace(family, self.target.limits, self.target.driver, self.target.mounting)
