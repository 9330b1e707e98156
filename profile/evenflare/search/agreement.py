"""How far two settings of the solver rank candidates alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenflare.search.stages import Stage

ENOUGH = 10
"""Candidates judged at both, before which agreement is not yet known."""
LEAST = 0.4
"""Kendall's tau below which two settings rank differently: fewer than 70 of 100 pairs are then ordered alike."""


@dataclass(frozen=True)
class RankAgreement:
    """How far two settings rank alike.

    lower, upper : settings of the solver.
    tau          : Kendall's, -1 to 1; None with fewer than two candidates judged at both.
    compared     : candidates that tau is taken over.
    """

    lower: Stage
    upper: Stage
    tau: float | None
    compared: int

    @property
    def words(self) -> str:
        """For the user; empty where nothing was compared."""
        if self.tau is None:
            return ""
        found = f"Kendall's tau {self.tau:.2f} over {self.compared} candidates judged at both"
        if self.compared < ENOUGH:
            return f"{self.lower} and {self.upper}: {found}, too few to say whether they rank alike"
        if self.tau < LEAST:
            return (
                f"{self.lower} and {self.upper} rank differently ({found}): a better one may have been left behind at"
                f" {self.lower}; more candidates bring more of them to {self.upper}"
            )
        return f"{self.lower} and {self.upper} rank alike: {found}"


def rank_agreement(pairs: Sequence[tuple[float, float]]) -> float | None:
    """Kendall's tau-b between the scores of candidates at two settings, -1 to 1; None for fewer than two candidates.

    Scores that are all equal at a setting order nothing and count as 0. Source: M. Kendall, Biometrika 33 (1945), 239,
    by scipy.stats.
    """
    from scipy.stats import kendalltau

    if len(pairs) < 2:
        return None
    lower, upper = zip(*pairs, strict=True)
    if len(set(lower)) < 2 or len(set(upper)) < 2:
        return 0.0
    return float(kendalltau(lower, upper).statistic)
