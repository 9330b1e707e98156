"""What a search finds against other ways down, at equal solves: medians over seeds. Run by hand, it takes minutes.

    python tests/benchmark_search.py [--solves 400] [--seeds 5] [TARGET ...]

Targets of the bundled ones, in a baffle, so that every solve costs alike; none of the numbers of the search was chosen
by desk, broad or tower. Each way has as many solves: the search with all its families (those at full are counted too),
the search with the free curve alone, CMA-ES (the library's defaults from the middle of the space) and differential
evolution (scipy's defaults, 15 for each variable at first), both over the free curve. dB, the best score at screen.
"""

from __future__ import annotations

import argparse
import statistics
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from evenflare.search.evolution import Evolution, quantised
from evenflare.search.judging import factory_for
from evenflare.search.race import Race
from evenflare.search.record import Record
from evenflare.search.worker import Job, evaluate
from evenflare.target.target import Target, read_target
from evenflare.waveguide import Mounting, ParameterSpace

TARGETS = Path(__file__).parents[1] / "targets"


class SpentError(Exception):
    """No solves are left."""


class Judge:
    """Counts solves and keeps the best score at screen."""

    def __init__(self, target: Target, solves: int) -> None:
        self.target, self.left, self.best = target, solves, np.inf
        self.factory = factory_for(target.mounting)
        self.record = Record()

    def judge(self, job: Job) -> float:
        """The rank of a candidate; what breaks a limit costs no solve and is not counted, for none of the ways."""
        if job not in self.record.outcomes:
            if self.left <= 0:
                raise SpentError
            outcome = evaluate(self.target, self.factory, job)
            self.record.number(job)
            self.record.note(job, outcome)
            self.left -= outcome.value is not None
            if job.setting == "screen":
                self.best = min(self.best, outcome.rank)
        return self.record.outcomes[job].rank

    def free(self, vector: np.ndarray) -> float:
        """The rank of a free curve."""
        return self.judge(Job("free", quantised(vector), "screen"))


def search(judge: Judge, seed: int) -> None:
    """The product's."""
    race = Race(judge.target, seed)
    while True:
        for job in race.asks():
            judge.judge(job)
        race.tell(judge.record)


def free_alone(judge: Judge, seed: int) -> None:
    """The product's, of one family."""
    judge.target = replace(judge.target, families=("free",))
    search(judge, seed)


def evolution(judge: Judge, seed: int) -> None:
    """CMA-ES."""
    size = len(ParameterSpace("free", judge.target.limits, judge.target.driver).names)
    strategy = Evolution(np.full(size, 0.5), spread=0.3, seed=[seed])
    while True:
        strategy.tell([judge.free(np.array(vector)) for vector in strategy.ask()])


def differential(judge: Judge, seed: int) -> None:
    """scipy's differential evolution."""
    from scipy.optimize import differential_evolution

    size = len(ParameterSpace("free", judge.target.limits, judge.target.driver).names)
    differential_evolution(judge.free, [(0.0, 1.0)] * size, seed=seed, maxiter=10_000, tol=0.0, polish=False)


WAYS: dict[str, Callable[[Judge, int], None]] = {
    "search": search,
    "free alone": free_alone,
    "CMA-ES": evolution,
    "differential": differential,
}


def found(name: str, way: str, solves: int, seed: int) -> float:
    """dB, the best score that a way found."""
    judge = Judge(replace(read_target(TARGETS / f"{name}.toml"), mounting=Mounting()), solves)
    with threadpool_limits(1), suppress(SpentError):
        WAYS[way](judge, seed)
    return float(judge.best)


def main(words: list[str] | None = None) -> None:
    """The table; words : of the command line, none as a part of the whole bench."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("targets", nargs="*", default=["desk", "broad", "tower", "hall"])
    parser.add_argument("--solves", type=int, default=400)
    parser.add_argument("--seeds", type=int, default=5)
    options = parser.parse_args(words or [])
    print(
        f"best score at screen, dB: median (least to greatest) of {options.seeds} seeds, {options.solves} solves each"
    )
    print(f"{'target':8}" + "".join(f"{way:>26}" for way in WAYS))
    with ProcessPoolExecutor(2) as pool:
        for name in options.targets:
            asked = {
                way: [pool.submit(found, name, way, options.solves, seed) for seed in range(1, options.seeds + 1)]
                for way in WAYS
            }
            cells = []
            for futures in asked.values():
                values = [future.result() for future in futures]
                cells.append(f"{statistics.median(values):.3f} ({min(values):.3f} to {max(values):.3f})")
            print(f"{name:8}" + "".join(f"{cell:>26}" for cell in cells))
            sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
