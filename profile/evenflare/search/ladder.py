"""Stages of rising exactness: who goes on to the next one, how far two agree, and when one is left out.

A population of a target for oblong waveguides is judged by the estimate; only its better part goes on to the screening
setting. That pays only while the two rank alike, so that is measured: some populations are judged whole at both.
Everything here depends on outcomes in the order asked for, never on time or on how many workers there are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evenflare.radiation import Setting
from evenflare.search.worker import BROKEN_LIMIT, Outcome
from evenflare.target.target import Target

PROMOTED = 0.5
"""Part of a population that goes on: CMA-ES takes its mean step from the better half, which so has exact ranks."""
FIRST_WHOLE = 2
"""Populations of each descent, from its first, that are judged whole at both stages."""
WHOLE_EVERY = 6
"""Later, one population in so many: stages may agree on coarse differences and no longer on fine ones."""
EXPECTED = PROMOTED + (1.0 - PROMOTED) / WHOLE_EVERY
"""Part of all candidates that is judged at the upper stage, for the estimate of the time left."""
RECENT = 6
"""Populations judged whole that count, the latest: agreement as it is now, not as it was."""
ENOUGH = 40
"""Candidates judged at both stages, before which agreement is not yet known and all are judged at both."""
LEAST_AGREEMENT = 0.4
"""Kendall's tau below which a stage is left out: fewer than 70 of 100 pairs are then ordered alike. Measured on rugged
invented functions of 12 variables: an estimate at a tenth to a third of a screen's cost pays above 0.3 to 0.4 and below
0.1 keeps a descent from its end. Tau falls as a population narrows. With this rule medians were at or near those of
screening alone, single runs now and then worse.
"""

Pairs = tuple[tuple[float, float], ...]
"""Of one population: the scores of each candidate at the lower and at the upper stage, dB."""


@dataclass(frozen=True)
class RankAgreement:
    """How far two stages rank alike.

    lower, upper : settings of the solver.
    tau          : Kendall's, -1 to 1, as `rank_agreement`; None with fewer than two candidates judged at both.
    compared     : candidates that tau is taken over.
    left_out     : number of the last candidate asked for before the lower stage was left out for ever, or None.
    """

    lower: Setting
    upper: Setting
    tau: float | None
    compared: int
    left_out: int | None = None

    @property
    def words(self) -> str:
        """For the user; empty where nothing was compared."""
        if self.tau is None:
            return ""
        found = f"Kendall's tau {self.tau:.2f} over {self.compared} candidates judged at both"
        if self.left_out is not None:
            return (
                f"{self.lower} and {self.upper} rank too differently ({found}, less than {LEAST_AGREEMENT:g}):"
                f" {self.lower} was left out after candidate {self.left_out}, later ones were judged at {self.upper}"
            )
        if self.compared < ENOUGH:
            return f"{self.lower} and {self.upper}: {found}, too few to say whether they rank alike"
        if self.tau < LEAST_AGREEMENT:
            return (
                f"{self.lower} and {self.upper} rank differently ({found}): a better one may have been left behind at"
                f" {self.lower}; more candidates bring more of them to {self.upper}"
            )
        return f"{self.lower} and {self.upper} rank alike: {found}"


def stages(target: Target) -> tuple[Setting, ...]:
    """The settings that candidates of a target pass through; a round one is screened too quickly for an estimate."""
    return ("estimate", "screen", "full") if target.oblong else ("screen", "full")


def rank_agreement(populations: Sequence[Pairs]) -> float | None:
    """Kendall's tau between two stages within populations, -1 to 1; None without two candidates in any.

    The mean of each population's tau-b, weighted by its number of pairs: the search only ever ranks within one, and
    that a late population is better than an early one says nothing about the ranks in either. Scores that are all
    equal at a stage order nothing and count as 0. Source: M. Kendall, Biometrika 33 (1945), 239, by scipy.stats.
    """
    from scipy.stats import kendalltau

    weighted, weight = 0.0, 0
    for pairs in populations:
        if len(pairs) < 2:
            continue
        lower, upper = zip(*pairs, strict=True)
        pairings = len(pairs) * (len(pairs) - 1) // 2
        weight += pairings
        if len(set(lower)) > 1 and len(set(upper)) > 1:
            weighted += pairings * float(kendalltau(lower, upper).statistic)
    return weighted / weight if weight else None


def ranks(lower: Sequence[Outcome], upper: Sequence[Outcome | None]) -> list[float]:
    """Ranks of a population (lower is better): by the upper stage where it was judged there, the others behind those.

    Behind by how much worse their estimate is than the worst estimate that went on; always ahead of what breaks a
    limit. Without one that was solved above, the estimates themselves.
    """
    above = [(low.rank, up.rank) for low, up in zip(lower, upper, strict=True) if up is not None and _solved(up)]
    last, cut = (max(up for _, up in above), max(low for low, _ in above)) if above else (0.0, 0.0)

    def rank(low: Outcome, up: Outcome | None) -> float:
        if up is not None:
            return up.rank
        return min(last + max(0.0, low.rank - cut), BROKEN_LIMIT) if _solved(low) else low.rank

    return [rank(*each) for each in zip(lower, upper, strict=True)]


def going_on(population: Sequence[Outcome], *, whole: bool) -> list[bool]:
    """Which of a population's candidates are judged at the next stage: the better part of those solved, or all.

    One that keeps the limits but is beyond this stage's reach goes on; one that breaks a limit does so at any stage.
    """
    solved = sorted((outcome.rank, i) for i, outcome in enumerate(population) if _solved(outcome))
    count = len(solved) if whole else math.ceil(PROMOTED * len(population))
    chosen = {i for _, i in solved[:count]}
    return [i in chosen or _beyond_reach(outcome) for i, outcome in enumerate(population)]


def _solved(outcome: Outcome) -> bool:
    return outcome.feasible and outcome.value is not None


def _beyond_reach(outcome: Outcome) -> bool:
    kept = bool(outcome.constraints) and all(excess <= 0 for excess in outcome.constraints.values())
    return kept and outcome.value is None


class Staging:
    """One stage before another while the two agree; `agreement` is over the latest populations judged whole."""

    def __init__(self, lower: Setting, upper: Setting) -> None:
        self.lower, self.upper = lower, upper
        self.agreement = RankAgreement(lower, upper, None, 0)
        self._recent: list[Pairs] = []

    @property
    def left_out(self) -> bool:
        """Whether the lower stage disagreed and is judged no more."""
        return self.agreement.left_out is not None

    def whole(self, population: int) -> bool:
        """Whether a descent's population, counted from 0, is judged whole: all are until ENOUGH candidates were."""
        if self.agreement.compared < ENOUGH:
            return True
        return population < FIRST_WHOLE or population % WHOLE_EVERY == 0

    def compare(self, lower: Sequence[Outcome], upper: Sequence[Outcome | None]) -> None:
        """Take note of a population that was judged whole."""
        both = zip(lower, upper, strict=True)
        pairs = tuple((low.rank, up.rank) for low, up in both if up is not None and _solved(low) and _solved(up))
        if len(pairs) > 1:
            self._recent = [*self._recent, pairs][-RECENT:]

    def review(self, asked: int) -> None:
        """Leave the lower stage out if it disagrees and enough were compared. asked : candidates so far."""
        tau, compared = rank_agreement(self._recent), sum(map(len, self._recent))
        disagrees = tau is not None and tau < LEAST_AGREEMENT and compared >= ENOUGH
        self.agreement = RankAgreement(self.lower, self.upper, tau, compared, asked if disagrees else None)
