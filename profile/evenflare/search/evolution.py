"""An evolution's populations over vectors on [0, 1]. All of `cma` is in here."""

from __future__ import annotations

import sys
import threading
import warnings
from collections.abc import Sequence
from types import ModuleType
from typing import Any

import numpy as np

from evenflare.units import FloatArray

Vector = tuple[float, ...]

DECIMALS = 6
"""Of a vector's entries on [0, 1]: a ten-thousandth of a millimetre in a waveguide of 100 mm."""
FEWEST = 2
"""Variables that the evolution needs; with fewer, vectors are drawn anywhere."""
DRAWN = 6


def quantised(vector: FloatArray) -> Vector:
    """A vector (n,) clipped to [0, 1] and rounded, so that a duplicate is recognised."""
    return tuple((np.round(np.clip(vector, 0.0, 1.0), DECIMALS) + 0.0).tolist())


class Evolution:
    """CMA-ES: ask for a population of vectors, tell the rank of each, and so on.

    start  : (n,), the mean at first.
    spread : standard deviation on [0, 1] at first.
    seed   : numbers that fix every vector asked for. The global random state is neither read nor set.

    Source: N. Hansen, The CMA evolution strategy: a comparing review (2006), by the library cma.
    """

    def __init__(self, start: FloatArray, *, spread: float, seed: Sequence[int]) -> None:
        self._random = np.random.default_rng([*seed, 0])
        self._size, self._asked = start.size, list[FloatArray]()
        # Off the bounds, where the library's mapping onto them has no slope.
        self._strategy = _strategy(np.clip(start, 0.02, 0.98), spread, self._random) if start.size >= FEWEST else None

    def ask(self) -> list[Vector]:
        """The next population: vectors on [0, 1], each once."""
        if self._strategy is None:
            self._asked = list(self._random.random((DRAWN if self._size else 1, self._size)))
        else:
            self._asked = self._strategy.ask()
        return [quantised(np.asarray(vector)) for vector in self._asked]

    def tell(self, ranks: Sequence[float]) -> None:
        """How good each vector of the last population is: lower is better, finite."""
        if self._strategy is None:
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library warns of flat populations
            self._strategy.tell(self._asked, list(ranks))


def _strategy(start: FloatArray, spread: float, random: np.random.Generator) -> Any:
    """A fresh strategy that prints nothing, writes no files and draws from `random` only."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        options = {
            "bounds": [0.0, 1.0],
            "randn": lambda *shape: random.standard_normal(shape),
            "seed": np.nan,  # leave the global generator alone
            "verbose": -9,
            "verb_log": 0,
            "verb_disp": 0,
            "signals_filename": "",
        }
        return library().CMAEvolutionStrategy(start, spread, options)


def library() -> Any:
    """The library, imported by a thread of its own: on the way it catches whatever is raised, and a Ctrl-C, which only
    the main thread hears, would be lost in it.
    """
    if "cma" not in sys.modules:
        thread = threading.Thread(target=_load, name="import", daemon=True)
        thread.start()
        thread.join()
    import cma

    return cma


def _load() -> None:
    """Without what it is not asked for here, most of its time: shortcuts for typing in a shell, which load what paints,
    and a library that it does without where there is none.
    """
    beside: dict[str, Any] = {"cma.s": ModuleType("cma.s"), "scipy.stats": None}
    absent = {name: beside[name] for name in beside if name not in sys.modules}
    sys.modules.update(absent)
    try:
        import cma  # noqa: F401
    finally:
        for name in absent:
            del sys.modules[name]
