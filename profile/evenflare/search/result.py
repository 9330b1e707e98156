"""What a search found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from evenflare.objective import Score, of_terms
from evenflare.search.agreement import RankAgreement
from evenflare.search.binding import Binding
from evenflare.search.forgiving import Scatter
from evenflare.search.race import FamilyOutcome, Race
from evenflare.search.record import Record
from evenflare.search.stages import STAGES, Stage
from evenflare.search.worker import LOST, Job, waveguide_of
from evenflare.target.assumed import Rejected, rejections
from evenflare.target.target import Target
from evenflare.waveguide import Waveguide, families

StoppedBy = Literal["candidates", "time", "interrupted"]


@dataclass(frozen=True)
class Winner:
    """The best feasible candidate of a family (or of all), at the most exact setting it was judged at.

    score   : of the drawn shape; of the mean wall where a process with a bias was but estimated, see Scatter.
    scatter : of a robust search, how units score, and
    value   : dB, what it is ranked by: else the score.
    """

    number: int
    family: str
    setting: Stage
    waveguide: Waveguide
    score: Score
    scatter: Scatter | None
    value: float


@dataclass(frozen=True)
class SearchResult:
    """What a search found.

    best       : the winner; None if no candidate keeps the limits and can be solved.
    nearest    : without a winner, the shape that breaks the limits least, None if none could be built.
    why        : without a winner, what stands in the way: what `nearest` breaks and by how much; else empty.
    winners    : the best of each family that has one, in the target's order of families.
    gain       : dB by which the winner's score is below the best published family's; None if one of them is missing.
    stopped_by : "candidates": all were asked for; "time": `minutes` were up; "interrupted": Ctrl-C.
    families   : what became of each, in the target's order.
    asked, scored, full : distinct candidates, those solved at any setting, those solved at full.
    rejected   : by limit, how many candidates break it, of the `built` that have a shape.
    lost       : numbers of candidates that ended their worker process twice, and count as failed.
    left_out   : finalists that there was no time to judge at full.
    agreement  : how far the screen ranks as the full setting, among candidates judged at both.
    binding    : limits that hold the winner back, and what relaxing each would gain.
    nominal    : of a robust search, of the candidates whose units were sampled the one with the best drawn shape.
    """

    best: Winner | None
    nearest: Waveguide | None
    winners: tuple[Winner, ...]
    gain: float | None
    stopped_by: StoppedBy
    families: tuple[FamilyOutcome, ...]
    asked: int
    scored: int
    full: int
    why: str = ""
    agreement: RankAgreement | None = None
    lost: tuple[int, ...] = ()
    left_out: int = 0
    binding: tuple[Binding, ...] = ()
    rejected: Mapping[str, Rejected] = field(default_factory=dict)
    built: int = 0
    nominal: Winner | None = None

    @property
    def feasible(self) -> bool:
        """Whether there is a winner."""
        return self.best is not None


def result(target: Target, record: Record, race: Race, stopped_by: StoppedBy) -> SearchResult:
    """What was found so far."""

    def winner(among: Sequence[str]) -> Winner | None:
        job = record.front_runner({setting: job for setting in STAGES if (job := record.best(setting, among))})
        return None if job is None else crowned(job)

    def crowned(job: Job) -> Winner:
        outcome = record.outcomes[job]
        value, scatter = float(outcome.rank), outcome.scatter
        score = Score(value, outcome.terms, outcome.constraints, target.constancy_weight, target.room_weight)
        if scatter is not None:
            score = of_terms(score)
        number, waveguide = record.number(job), waveguide_of(target, *job[:2])
        return Winner(number, job.family, job.setting, waveguide, score, scatter, value)

    best, published = winner(families()), winner([family for family in target.families if family != "free"])
    alike = best is not None and published is not None and best.setting == published.setting
    closest = record.nearest() if best is None else None
    limits = {job[:2]: outcome.constraints for job, outcome in record.outcomes.items() if outcome.constraints}
    solved = [job for job, outcome in record.outcomes.items() if outcome.value is not None]
    return SearchResult(
        best=best,
        nearest=waveguide_of(target, *closest[:2]) if closest else None,
        winners=tuple(found for family in target.families if (found := winner([family]))),
        gain=published.value - best.value if alike and best and published else None,
        stopped_by=stopped_by,
        families=race.standings(record),
        asked=len(record.numbers),
        scored=len({(job.family, job.vector) for job in solved}),
        full=sum(job.setting == "full" for job in solved),
        why="" if best else record.obstacle(),
        agreement=record.agreement("screen", "full"),
        lost=tuple(sorted({record.number(job) for job, each in record.outcomes.items() if each.reason == LOST})),
        rejected=rejections(limits.values()),
        built=len(limits),
        nominal=None if (job := record.best_drawn()) is None else crowned(job),
    )
