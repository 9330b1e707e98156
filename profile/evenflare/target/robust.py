"""What a target asks of a search that forgives: units of a process in place of the drawn shape."""

from __future__ import annotations

from dataclasses import dataclass

from evenflare.waveguide.accuracy import Accuracy

MOST_DEVIATIONS = 5.0
"""Standard deviations that a search may be asked to add."""


@dataclass(frozen=True)
class Robust:
    """Candidates rank by the mean of the score over units of a process, plus `k` standard deviations of it.

    process  : its name or file, as the target's file has it.
    k        : 0 to MOST_DEVIATIONS.
    accuracy : of the process; None until it was read: what a target says does not hold it.
    """

    process: str
    k: float = 1.0
    accuracy: Accuracy | None = None
