"""How long it takes to make a winner's files, and how much of them fits before an end that a user set."""

from __future__ import annotations

import math
import os
import time
from dataclasses import dataclass

from evenflare.target.target import Target
from evenflare.words import duration


@dataclass(frozen=True)
class Extent:
    """What is made of a winner beside its solution, its solid and the search's page.

    compared : the other method's answer and other mountings.
    pictures : single ones, and a page of its own.
    """

    compared: bool
    pictures: bool

    @property
    def left_out(self) -> str:
        """What is not there for want of time, in words; empty if nothing."""
        names = [] if self.compared else ["the comparison with the other method and other mountings"]
        names += [] if self.pictures else ["single pictures and the winner's own page"]
        return " and ".join(names)


EVERYTHING = Extent(compared=True, pictures=True)
EXTENTS = (EVERYTHING, Extent(compared=False, pictures=True), Extent(compared=False, pictures=False))
"""From all there is to the least."""

SOLVED = {
    ("baffle", False): 0.3,
    ("sphere", False): 0.5,
    ("cabinet", False): 1.1,
    ("free_standing", False): 2.2,
    ("baffle", True): 3.7,
    ("cabinet", True): 5.0,
    ("free_standing", True): 60.0,
}
"""s of a core that the winner's solution takes, by mounting and whether it is oblong, and
COMPARED the comparisons, where two methods serve and where one does."""
COMPARED = {False: 3.3, True: 0.8}
PAGE, PICTURES, SOLID = 2.0, 2.5, 0.4
"""s of a core for a page, for pictures each in a file, and for the solid. Measured, in seconds of one core of 3 GHz:
how much longer it takes here and now, `Closing` learns as it goes.
"""
WRITTEN = 0.5
"""s of a core for best.toml and the page of a search at work."""
SCREENED = {
    ("baffle", False): 0.03,
    ("sphere", False): 0.03,
    ("cabinet", False): 0.05,
    ("free_standing", False): 0.2,
    ("baffle", True): 0.5,
    ("cabinet", True): 0.6,
    ("free_standing", True): 12.0,
}
"""s of a core that a candidate takes, its part of those judged at full included: a forecast, until they are timed."""
ROBUST = 2.0
"""Times as long that a candidate takes in a robust search, its part of the sampled units included: a forecast."""
SPARE = 1.15
"""Times as long as is expected, that is kept in hand."""
PART = 0.4
"""Of the whole time that is kept for the winner's files at most: a search wants candidates first."""


class Closing:
    """The time that a winner's files take, from how long such work took so far."""

    def __init__(self, target: Target, *, began: float, minutes: float | None) -> None:
        """began : s on the clock of time.monotonic, when the command began. minutes : that it may take, None: any."""
        self.whole = math.inf if minutes is None else 60.0 * minutes
        self.ends = began + self.whole
        self._kind, self._oblong = target.mounting.kind, target.oblong
        kind = self._kind
        self._judged = ROBUST if target.robust is not None else 1.0
        self._solved = SOLVED[kind, target.oblong]
        one_method = kind == "cabinet" or (kind == "free_standing" and target.oblong)
        self._compared = 0.0 if target.oblong and kind == "baffle" else COMPARED[one_method]
        self._slowness, self._guessed = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1)), True

    def forecast(self, candidates: int, *, processes: int, cabinet: float) -> str:
        """How long a whole search takes, from the cabinet to the last picture, in words.

        candidates : to be judged still. cabinet : s that solving it takes.
        """
        each = self._judged * SCREENED[self._kind, self._oblong] * self._slowness / processes
        parts = {
            "the cabinet": cabinet * self._slowness,
            f"{candidates} candidates": candidates * each,
            "the winner's files": self.seconds(EVERYTHING),
        }
        spoken = ", ".join(f"{name} {duration(seconds)}" for name, seconds in parts.items() if seconds >= 1.0)
        return f"Forecast: about {duration(sum(parts.values()))} ({spoken})"

    def note(self, usual: float, took: float) -> None:
        """Work that usually takes `usual` s of a core took `took` s."""
        before = took / usual if self._guessed else self._slowness
        self._slowness, self._guessed = max(1.0, 0.5 * (before + took / usual)), False

    def solved_in(self, seconds: float) -> None:
        """It is known better how many s the solution will take."""
        self._solved = max(self._solved, seconds / self._slowness)

    def seconds(self, extent: Extent) -> float:
        """s that it takes."""
        more = (self._compared if extent.compared else 0.0) + (PICTURES + PAGE if extent.pictures else 0.0)
        return SPARE * self._slowness * (self._solved + SOLID + PAGE + more)

    def reserve(self) -> float:
        """s to keep in hand: for all there is, if that is a small part of the whole time, else for less.

        Where that is still too much, for best.toml and the page that says so.
        """
        most = PART * self.whole
        written = min(most, SPARE * self._slowness * WRITTEN)
        return next((need for each in EXTENTS if (need := self.seconds(each)) <= most), written)

    def extent(self) -> Extent | None:
        """The most that fits before the end; None if nothing does."""
        left = self.ends - time.monotonic()
        return next((each for each in EXTENTS if self.seconds(each) <= left), None)

    @property
    def minutes(self) -> float | None:
        """That are left; None for no end."""
        return None if math.isinf(self.ends) else (self.ends - time.monotonic()) / 60.0
