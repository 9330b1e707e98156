"""CMA-ES over the vectors of one family, restarted until its share of candidates is used. All of `cma` is in here."""

from __future__ import annotations

import importlib
import sys
import threading
import warnings
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from evenflare.radiation import Setting
from evenflare.units import FloatArray

Vector = tuple[float, ...]

DECIMALS = 6
"""Of a vector's entries on [0, 1]: a ten-thousandth of a millimetre in a waveguide of 100 mm."""
FEWEST_DIMENSIONS = 2
IDLE_POPULATIONS = 20
"""Populations in a row without a vector not seen before, after which a family counts as exhausted."""


def quantised(vector: FloatArray) -> Vector:
    """A vector (n,) clipped to [0, 1] and rounded, so that a duplicate is recognised."""
    return tuple((np.round(np.clip(vector, 0.0, 1.0), DECIMALS) + 0.0).tolist())


class Descent:
    """Ask for a population of vectors, tell the rank of each, until the share is used.

    family     : whose vectors they are.
    dimensions : n, entries of a vector.
    share      : candidates this descent may ask for; a duplicate does not count.
    setting    : of the solver that judges them.
    start      : start(r) -> (n,), where run r begins; r counts restarts from 0.
    spread     : initial standard deviation on [0, 1].
    seed       : numbers that, with r, fix every vector asked for. The global random state is neither read nor set.

    `populations` counts those told.

    Source: N. Hansen, The CMA evolution strategy: a comparing review (2006), by the library cma.
    """

    def __init__(
        self,
        family: str,
        dimensions: int,
        *,
        share: int,
        setting: Setting,
        start: Callable[[int], FloatArray],
        spread: float,
        seed: Sequence[int],
    ) -> None:
        self.family, self.dimensions, self.setting = family, dimensions, setting
        self.left = share
        self.populations = 0
        self._start, self._spread, self._seed = start, spread, tuple(seed)
        self._restarts, self._idle = -1, 0
        self._asked: list[FloatArray] = []
        self._begin()

    @property
    def finished(self) -> bool:
        """Whether the share is used or nothing new is to be found."""
        return self.left <= 0 or self._idle >= IDLE_POPULATIONS

    def ask(self) -> list[Vector]:
        """The next population: four and more vectors on [0, 1], at most what is left of the share."""
        self._asked = self._strategy.ask()
        return [quantised(np.asarray(vector)[: self.dimensions]) for vector in self._asked[: self.left]]

    def tell(self, ranks: Sequence[float], *, new: int) -> None:
        """How good each vector of the last population is (lower is better, finite), and how many were new.

        A population cut off by the end of the share is not learnt from. A run that has converged begins anew.
        """
        self.populations += 1
        self.left -= new
        self._idle = 0 if new else self._idle + 1
        if self.finished or len(ranks) < len(self._asked):
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library warns of flat populations, which end in a restart here
            self._strategy.tell(self._asked, list(ranks))
            stopped = self._strategy.stop()
        if stopped or not new:
            self._begin()

    def _begin(self) -> None:
        self._restarts += 1
        random = np.random.default_rng([*self._seed, self._restarts])
        # Off the bounds, where the library's mapping onto them has no slope.
        start = np.clip(self._start(self._restarts), 0.02, 0.98)
        # The library wants two dimensions at least; limits may leave fewer.
        start = np.append(start, np.full(max(0, FEWEST_DIMENSIONS - start.size), 0.5))
        self._strategy = _strategy(start, self._spread, random)


def _strategy(start: FloatArray, spread: float, random: np.random.Generator) -> Any:
    """A fresh strategy that prints nothing, writes no files and draws from `random` only."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        library = _library()
        options = {
            "bounds": [0.0, 1.0],
            "randn": lambda *shape: random.standard_normal(shape),
            "seed": np.nan,  # leave the global generator alone
            "tolx": 1e-3,
            "tolfun": 2e-3,  # dB
            "tolfunhist": 2e-3,
            "verbose": -9,
            "verb_log": 0,
            "verb_disp": 0,
            "signals_filename": "",
        }
        return library.CMAEvolutionStrategy(start, spread, options)


def _library() -> Any:
    """The library, imported by a thread of its own: on the way it catches whatever is raised, and a Ctrl-C, which only
    the main thread hears, would be lost in it.
    """
    if "cma" not in sys.modules:
        thread = threading.Thread(target=importlib.import_module, args=("cma",), name="import", daemon=True)
        thread.start()
        thread.join()
    return importlib.import_module("cma")
