"""What a search has asked for so far, in order, and what became of it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from evenflare.search.agreement import RankAgreement, rank_agreement
from evenflare.search.evolution import Vector
from evenflare.search.stages import STAGES, Stage
from evenflare.search.worker import Job, Outcome


@dataclass
class Record:
    """Candidates by number, and their outcomes by setting.

    candidates : of which something is known.
    lowest  : dB, the best score at each setting.
    leaders : whose it is; the first of equals.
    """

    numbers: dict[tuple[str, Vector], int] = field(default_factory=dict)
    outcomes: dict[Job, Outcome] = field(default_factory=dict)
    judged: Counter[Stage] = field(default_factory=Counter)
    lowest: dict[Stage, float] = field(default_factory=dict)
    leaders: dict[Stage, Job] = field(default_factory=dict)
    candidates: int = 0

    def number(self, job: Job) -> int:
        """Of a candidate: the next one if it was not asked for before."""
        return self.numbers.setdefault((job.family, job.vector), len(self.numbers) + 1)

    def note(self, job: Job, outcome: Outcome) -> None:
        """Remember what became of a candidate, once."""
        if job in self.outcomes:
            return
        self.candidates += all(job._replace(setting=each) not in self.outcomes for each in STAGES)
        self.outcomes[job] = outcome
        self.judged[job.setting] += 1
        if outcome.feasible and outcome.rank < self.lowest.get(job.setting, math.inf):
            self.lowest[job.setting], self.leaders[job.setting] = outcome.rank, job

    def take(self, number: int, job: Job, outcome: Outcome) -> None:
        """A candidate as it was kept, by the number it has there."""
        self.numbers.setdefault((job.family, job.vector), number)
        self.note(job, outcome)

    @property
    def leader(self) -> tuple[int, Job] | None:
        """Number and job of the best so far, as `front_runner`."""
        job = self.front_runner(self.leaders)
        return None if job is None else (self.number(job), job)

    def front_runner(self, best: Mapping[Stage, Job]) -> Job | None:
        """Of the best at each setting, the one that is best as far as is known; None without any.

        That is the one at the most exact setting; but where the screen's best was not judged at full yet, only if it
        was ahead at the screen too.
        """
        exact = next((best[setting] for setting in STAGES[::-1] if setting in best), None)
        screened = best.get("screen")
        if exact is None or screened is None or exact.setting != "full":
            return exact
        if screened._replace(setting="full") in self.outcomes:
            return exact
        there = self.outcomes.get(exact._replace(setting="screen"), self.outcomes[exact])
        return screened if self.outcomes[screened].rank < there.rank else exact

    def ranked(self, setting: Stage, families: Sequence[str]) -> list[Job]:
        """The feasible candidates of some families at a setting, best first, then in order of their numbers."""
        found = [job for job, outcome in self.outcomes.items() if outcome.feasible and job.setting == setting]
        mine = [job for job in found if job.family in families]
        return sorted(mine, key=lambda job: (self.outcomes[job].rank, self.numbers[job.family, job.vector]))

    def best(self, setting: Stage, families: Sequence[str]) -> Job | None:
        """The first of `ranked`, or None."""
        return next(iter(self.ranked(setting, families)), None)

    def drawn(self, setting: Stage) -> list[Job]:
        """Of a robust search: the feasible candidates at a setting by the score of the drawn shape, best first."""
        found = [(job, each.scatter) for job, each in self.outcomes.items() if each.feasible and job.setting == setting]
        scores = {job: scatter.nominal for job, scatter in found if scatter is not None}
        return sorted(scores, key=lambda job: (scores[job], self.numbers[job.family, job.vector]))

    def best_drawn(self) -> Job | None:
        """The first of them whose units were sampled, or None."""
        return next(iter(self.drawn("units")), None)

    def nearest(self) -> Job | None:
        """Of the candidates that could be built, the first of the lowest rank, or None."""
        built = [job for job, outcome in self.outcomes.items() if outcome.constraints]
        return min(built, key=lambda job: (self.outcomes[job].rank, job)) if built else None

    def agreement(self, lower: Stage, upper: Stage) -> RankAgreement:
        """Of two settings over all candidates judged at both."""
        below = {job: job._replace(setting=lower) for job in self.ranked(upper, self.families)}
        pairs = [
            (self.outcomes[low].rank, self.outcomes[job].rank) for job, low in below.items() if low in self.outcomes
        ]
        return RankAgreement(lower, upper, rank_agreement(pairs), len(pairs))

    @property
    def families(self) -> tuple[str, ...]:
        """Of which candidates were asked for, in the order of the first."""
        return tuple(dict.fromkeys(family for family, _ in self.numbers))

    def obstacle(self) -> str:
        """What the nearest shape breaks, and by how much; where none breaks a limit, why most were not solved."""
        job = self.nearest()
        if job is None:
            reasons = Counter(outcome.reason for outcome in self.outcomes.values()).most_common(1)
            return f"no shape could be built: {reasons[0][0]}" if reasons else ""
        nearest = self.outcomes[job]
        broken = Counter(name for each in self.outcomes.values() for name, by in each.constraints.items() if by > 0)
        if not any(excess > 0 for excess in nearest.constraints.values()):
            return f"the nearest, of family {job.family}, cannot be solved: {nearest.reason}"
        often, times = broken.most_common(1)[0]
        return (
            f"the nearest, of family {job.family}, {nearest.reason}; most often broken is {often}, by {times} of"
            f" {len(self.outcomes)}"
        )
