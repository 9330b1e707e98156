"""A search from start to end: what the race asks for is judged, and at last its best at full."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Future, wait
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from evenflare.files import InputError
from evenflare.radiation import method_for
from evenflare.search.binding import binding, measured, share
from evenflare.search.deadline import Deadline, TimeIsUpError
from evenflare.search.evolution import Vector
from evenflare.search.judging import factory_for
from evenflare.search.pool import Judges, losses, pool
from evenflare.search.progress import FREE_STANDING_COST, OBLONG_COST, ROUND_COST, STANDING_OBLONG_COST, Pace, Progress
from evenflare.search.race import Race
from evenflare.search.record import Record
from evenflare.search.request import request
from evenflare.search.result import SearchResult, StoppedBy, result
from evenflare.search.stages import Stage
from evenflare.search.starts import Start
from evenflare.search.store import Store, opened
from evenflare.search.trading import Trading, along, costs_of
from evenflare.search.worker import LOST, Job, Outcome, SolverFactory, evaluate
from evenflare.target.target import Target
from evenflare.waveguide import families

FINALISTS = 10
"""The best by the screen, which are judged at full when a search ends, beside the best of each family."""
DRAWN_FINALISTS = 3
"""Of a robust search, the best by the drawn shape beside them: what robustness costs is told against these."""
SAMPLED = 5
"""Of a robust search, the best by the estimate at full, whose units are sampled."""
FRONT_FINALISTS = 40
"""Of a search for a front, those along it."""
IDLE_ROUNDS = 50
"""Rounds in a row without a candidate not seen before, after which there is nothing more to find."""
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
    closing: Callable[[], float] | None = None,
    seed: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    solver_factory: SolverFactory | None = None,
    executor: Judges | None = None,
    starts: Sequence[Start] = (),
) -> SearchResult:
    """Search the target's families for the lowest score, or continue the search that `folder` holds.

    target_text : the target file's text, kept beside the run; which run that is, the target's meaning, the seed and the
                  version say.
    workers     : processes, 1 to four for each core; `executor` takes their place, and may be another machine's.
    candidates, seed : instead of the target's.
    minutes     : within which all is done: asking, judging the best at full, and what `closing` says.
    closing     : tells how many s what follows the search will take, as known when asked.
    starts      : shapes that are judged first, at full too, and that descents begin at.
    progress    : called after every finished candidate.
    solver_factory : of the stages' solvers, instead of `factory_for` the target's mounting.
    Errors      : InputError if the folder holds another run, another process searches in it, it cannot be written or
                  was moved, there are too few candidates, or worker processes cannot be started or keep being killed.
                  One that is killed now and then costs its candidate a second try; if that ends its process as well,
                  the candidate counts as failed.
    """
    from threadpoolctl import threadpool_limits

    asked = request(target, target_text=target_text, workers=workers, candidates=candidates, seed=seed, starts=starts)
    deadline = Deadline() if minutes is None else Deadline(time.monotonic() + 60.0 * minutes)
    deadline.closing = closing or deadline.closing
    processes = pool(workers) if executor is None else nullcontext(executor)
    with opened(folder, asked.identity) as store, threadpool_limits(1), processes as judges:
        factory = solver_factory or factory_for(target.mounting, oblong=target.oblong)
        race = Race(target, asked.seed, starts)
        trading = Trading(target, asked.seed) if target.trade else None
        most = max(asked.candidates, store.whole)
        run = _Run(target, store, judges, factory, race, trading, most, deadline, progress)
        try:
            stopped_by = run.carry_out()
        except KeyboardInterrupt:
            stopped_by = "interrupted"
            for (number, _), (job, outcome) in sorted(store.finished.items()):  # what it had not come to again
                run.record.take(number, job, outcome)
        except BrokenExecutor as error:  # somebody else's, which does not try again
            raise InputError(
                "a worker process ended unexpectedly: for lack of memory, or because a script starts the search outside"
                " `if __name__ == '__main__':`. Run it again with fewer workers: what finished is kept"
            ) from error
        found = replace(result(target, run.record, race, stopped_by), left_out=run.left_out)
        return run.bound(found, asked.candidates)


@dataclass
class _Run:
    """One call of the search: what was asked so far, in order, and what became of it."""

    target: Target
    store: Store
    judges: Judges
    factory: SolverFactory
    race: Race
    trading: Trading | None
    candidates: int
    deadline: Deadline
    progress: Callable[[Progress], None] | None
    record: Record = field(default_factory=Record)
    pace: Pace = field(default_factory=lambda: Pace(ROUND_COST))
    step: str = "searching"
    final: Sequence[Job] = ()
    left_out: int = 0

    def carry_out(self) -> StoppedBy:
        """The race, and at last the best at full; says what ended it."""
        if method_for(self.target.mounting) != "march":
            self.pace = Pace(STANDING_OBLONG_COST if self.target.oblong else FREE_STANDING_COST)
        elif self.target.oblong:
            self.pace = Pace(OBLONG_COST)
        in_time = self.search()
        self.step = "the best at full setting"
        in_time &= self.judged(self.finalists())
        if self.target.robust is not None and in_time:
            self.step = "units of the best"
            in_time = self.judged(self.sampled())
        return "candidates" if in_time else "time"

    def bound(self, found: SearchResult, candidates: int) -> SearchResult:
        """With the limits that hold the winner back, and what relaxing them would gain if there are candidates for it.

        Only of a search that was carried out: one that was stopped has no time, or none to wait.
        """
        best = found.best
        if best is None:
            return found
        limits = binding(best.waveguide, self.target.limits)
        each = share(candidates, len(limits)) if found.stopped_by == "candidates" else 0
        if limits and each:
            self.step = "what relaxing limits gains"
            with suppress(KeyboardInterrupt):
                limits = measured(self.target, best.family, best.waveguide, self.outcomes, each=each)
        return replace(found, binding=tuple(limits))

    def outcomes(self, asked: Sequence[tuple[Target, Job]]) -> list[Outcome]:
        """What becomes of candidates that are no part of the run, in their order."""
        due = [self.judges.submit(evaluate, target, self.factory, job) for target, job in asked]
        lost = Outcome(None, False, {}, {}, {}, LOST)
        try:
            return [lost if isinstance(each.exception(), losses(self.judges)) else each.result() for each in due]
        except KeyboardInterrupt:
            for each in due:
                each.cancel()
            raise

    def search(self) -> bool:
        """Round by round until the candidates are used or there is nothing more to find; False if time is up."""
        idle = 0
        while idle < IDLE_ROUNDS:
            self.deadline.keep_for_finals(self.pace.left(self.finals_due))
            if self.deadline.left <= 0.0:
                return False
            going: list[Race | Trading] = [
                self.race,
                *([self.trading] if self.trading and not self.trading.exhausted else []),
            ]
            before, jobs = len(self.record.numbers), list(dict.fromkeys(job for each in going for job in each.asks()))
            allowed = list(self.within_the_number(jobs))
            try:
                self.judge(allowed)
            except TimeIsUpError:
                return False
            if len(allowed) < len(jobs):
                break
            for each in going:
                each.tell(self.record)
            idle = 0 if len(self.record.numbers) > before else idle + 1
        return True

    def within_the_number(self, jobs: Sequence[Job]) -> Iterator[Job]:
        """Of what is asked for next, what comes before the first candidate too many."""
        known, new = self.record.numbers, set[tuple[str, Vector]]()
        for job in jobs:
            if (job.family, job.vector) not in known:
                new.add((job.family, job.vector))
            if len(known) + len(new) > self.candidates:
                return
            yield job

    def finalists(self) -> list[Job]:
        """The best by the screen, and the best of each family whatever its place."""
        ranked = self.record.ranked("screen", families())
        chosen = dict.fromkeys(ranked[:FINALISTS])
        for family in self.target.families:
            best = (self.record.best(stage, [family]) for stage in ("screen", "drawn"))
            chosen |= dict.fromkeys([job for job in best if job][:1])
        # A robust search that was short has few others.
        drawn = max(DRAWN_FINALISTS, FINALISTS - len(ranked))
        chosen |= dict.fromkeys(self.record.ranked("drawn", families())[:drawn])
        if self.target.trade:
            traded = [
                (job, costs) for job in ranked if (costs := costs_of(self.record.outcomes[job], self.target.trade))
            ]
            chosen |= dict.fromkeys(along(traded, FRONT_FINALISTS))
        return [job._replace(setting="full") for job in chosen]

    def sampled(self) -> list[Job]:
        """Of a robust search, those whose units are solved: the best at full, and the best drawn shape."""
        chosen = [*self.record.ranked("full", families())[:SAMPLED], *self.record.drawn("full")[:1]]
        return [job._replace(setting="units") for job in dict.fromkeys(chosen)]

    def judged(self, finalists: Sequence[Job]) -> bool:
        """Judge finalists, the best first; False if there was not time for all."""
        self.deadline.finals, self.final = 0.0, finalists
        with suppress(TimeIsUpError):
            self.judge(finalists)
            return True
        self.left_out = self.final_left
        return False

    @property
    def finals_due(self) -> dict[Stage, int]:
        """Finalists by stage, as many as are usual before they are known."""
        due: dict[Stage, int] = {"full": FINALISTS}
        if self.target.robust is not None:
            due["units"] = SAMPLED + 1
        return due

    @property
    def final_left(self) -> int:
        """Finalists to be judged still, as many as are usual before they are known."""
        return sum(job not in self.record.outcomes for job in self.final) if self.final else FINALISTS

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
            for future in self.deadline.completed(list(waiting), lambda: self.slowest(waiting.values())):
                if isinstance(future.exception(), losses(self.judges)):
                    lost.append(waiting[future])
                else:
                    self.keep(future.result(), *waiting[future])
                del waiting[future]
            self.try_again(lost, most=max(MOST_LOST, count // 2))
        except (KeyboardInterrupt, InputError, TimeIsUpError, CancelledError) as end:
            # What is cancelled is not waited for: a cluster whose worker had just finished it never says so.
            solving = [future for future in waiting if not future.cancel()]
            found: Iterable[Future[Outcome]] = ()
            if isinstance(end, CancelledError):  # a cluster is lost: what had come meanwhile
                found = [future for future in waiting if future.done()]
            elif not isinstance(end, InputError):  # those being solved as well
                found = wait(solving).done
            for future in found:
                if not future.cancelled() and future.exception() is None:
                    self.keep(future.result(), *waiting[future])
            raise

    def slowest(self, waiting: Iterable[tuple[int, Job]]) -> float:
        """Seconds that one of what is waited for takes, as known so far."""
        return max((self.pace.each(setting) for setting in {job.setting for _, job in waiting}), default=0.0)

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
        known, judged = self.record.candidates, self.record.judged
        part = max(0, self.candidates - known) / max(1, known)
        left = {setting: round(part * count) for setting, count in judged.items()}
        if self.final:
            left[self.final[0].setting] = left.get(self.final[0].setting, 0) + self.final_left
        else:
            left |= {stage: left.get(stage, 0) + count for stage, count in self.finals_due.items()}
        time_left = self.pace.left(left)
        if time_left is not None:
            time_left = min(time_left + self.deadline.closing(), max(0.0, self.deadline.whole))
        leader = self.record.leader
        return Progress(
            done=known,
            total=self.candidates,
            best=leader and self.record.outcomes[leader[1]].rank,
            rate=self.pace.rate,
            time_left=time_left,
            stage=self.step,
            judged=dict(judged),
            leader=leader,
        )
