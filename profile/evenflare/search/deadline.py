"""The end that a user sets: candidates are judged as long as what must follow still fits before it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Collection, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from typing import Any

from evenflare.search.interruptions import interruptions_held

FINALS_PART = 0.3
"""Of the time for judging, that is kept for finalists at most: who searches for a short while wants candidates too."""

HEARD = 0.2
"""s within which a Ctrl-C is heard."""


class TimeIsUpError(Exception):
    """What is being waited for would end too late."""


def _nothing() -> float:
    return 0.0


@dataclass
class Deadline:
    """When all must be done, and what is kept in hand for what comes after the candidates.

    ends    : s, on the clock of time.monotonic; infinite for whenever it is done.
    closing : tells how many s will be needed when the last candidate is judged, as known by then.
    finals  : s, kept for finalists.
    """

    ends: float = math.inf
    closing: Callable[[], float] = _nothing
    finals: float = 0.0

    @property
    def whole(self) -> float:
        """s until the end."""
        return self.ends - time.monotonic()

    @property
    def left(self) -> float:
        """s for judging what is asked for now; below 0 when there is none. Infinite without an end, whatever part of
        that is kept in hand.
        """
        return self.whole - self.closing() - self.finals if self.ends < math.inf else math.inf

    def keep_for_finals(self, seconds: float | None) -> None:
        """Keep the time that the finalists take, or the FINALS_PART if that is less; None: not known yet."""
        most = FINALS_PART * max(0.0, self.whole - self.closing())
        self.finals = most if seconds is None else min(seconds, most)

    def completed(self, waiting: Collection[Future[Any]], each: Callable[[], float]) -> Iterator[Future[Any]]:
        """Futures as they are done, until all are, or those at work would be done too late.

        each   : tells how many s one takes, all workers together.
        Errors : TimeIsUpError for what is not done.
        """
        due = set(waiting)
        while due:
            # Those at work are waited for, whatever happens, and so is the one that begins when the next is done.
            at_work = sum(future.running() for future in due)
            left = self.left - each() * min(at_work + 1, len(due))
            if left < 0.0:
                raise TimeIsUpError
            with interruptions_held():
                done, due = wait(due, timeout=min(left, HEARD), return_when=FIRST_COMPLETED)
            yield from done
