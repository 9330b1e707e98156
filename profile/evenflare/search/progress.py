"""Where a search stands, and how long the rest will take."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from evenflare.search.stages import Stage
from evenflare.search.worker import Job

SETTLED = 20
"""Candidates solved, before which the time left is a guess."""
ROUND_COST: Mapping[Stage, float] = {"drawn": 0.35, "screen": 1.0, "full": 2.0, "units": 43.0}
FREE_STANDING_COST: Mapping[Stage, float] = {"drawn": 0.35, "screen": 1.0, "full": 3.5, "units": 19.0}
STANDING_OBLONG_COST: Mapping[Stage, float] = {"drawn": 0.35, "screen": 1.0, "full": 5.0, "units": 27.0}
OBLONG_COST: Mapping[Stage, float] = {"drawn": 0.35, "screen": 1.0, "full": 10.0, "units": 53.0}
"""Time of a candidate at each stage against that at screen, at `drawn` and `units` against a robust one's, which takes
three solutions: only until some were timed at that stage."""


@dataclass(frozen=True)
class Progress:
    """Where a search stands.

    done, total : candidates of which something is known, and those that are asked for in all.
    best        : dB, the lowest score so far at the setting that counts, None if there is none, and
    leader      : whose it is: number and job.
    rate        : candidates solved per second in this call.
    time_left   : s until all is done, what follows the candidates included; None until SETTLED are solved.
    stage       : what is being done, in words.
    judged      : candidates by setting.
    """

    done: int
    total: int
    best: float | None
    rate: float
    time_left: float | None
    stage: str
    judged: Mapping[Stage, int] = field(default_factory=dict)
    leader: tuple[int, Job] | None = None


class Pace:
    """How long candidates of each setting take, all workers together. `cost` is what to expect of untimed ones."""

    def __init__(self, cost: Mapping[Stage, float]) -> None:
        self._cost = cost
        self._began = self._last = time.monotonic()
        self._solved: Counter[Stage] = Counter()
        self._timed: Counter[Stage] = Counter()
        self._seconds: Counter[Stage] = Counter()

    def resume(self) -> None:
        """Candidates are being waited for from now on."""
        self._last = time.monotonic()

    def note(self, setting: Stage) -> None:
        """A candidate was solved."""
        now = time.monotonic()
        if self._solved.total():  # the first one waited for workers to load
            self._timed[setting] += 1
            self._seconds[setting] += now - self._last  # type: ignore[assignment]
        self._solved[setting] += 1
        self._last = now

    @property
    def rate(self) -> float:
        """Candidates solved per second so far."""
        return self._solved.total() / max(self._last - self._began, 1e-9)

    def left(self, due: Mapping[Stage, int]) -> float | None:
        """Seconds that the candidates due at each setting will take; None before SETTLED are solved."""
        if self._solved.total() < SETTLED:
            return None
        return sum(count * self.each(setting) for setting, count in due.items())

    def each(self, setting: Stage) -> float:
        """Seconds that a candidate takes at a setting, as known so far; 0 before any was timed."""
        if not self._timed.total():
            return 0.0
        if count := self._timed[setting]:
            return self._seconds[setting] / count
        known = sum(self._cost[setting] * count for setting, count in self._timed.items())
        return self._cost[setting] * self._seconds.total() / known
