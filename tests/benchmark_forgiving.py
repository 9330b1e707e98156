"""What ranking by units of a process takes: a candidate of a robust search against its screen, the drawn shape alone.

    python tests/benchmark_forgiving.py

Of bundled targets in a baffle, a shape of each family, under the process `router`, and under one that leaves its walls
0.05 mm too wide besides: medians of several runs of each in turns, in one warmed-up process on one core, in process
time.
"""

from __future__ import annotations

import statistics
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from evenflare.manufacture.process.file import read_process
from evenflare.search.evolution import quantised
from evenflare.search.judging import factory_for
from evenflare.search.worker import Job, evaluate
from evenflare.target.robust import Robust
from evenflare.target.target import Target, read_target
from evenflare.waveguide import Mounting, ParameterSpace

TARGETS = Path(__file__).parents[1] / "targets"
RUNS = {"desk": 7, "hall": 7, "sideboard": 5}
"""Of a shape, by target; the last has oblong mouths."""
BIAS = 5e-5
"""m, of the process with one."""
NUDGE = 1e-4
"""Of a vector's range, between shapes of neighbouring runs."""
TRIED = 100
"""Random vectors of a family, of which one is likely to keep the limits."""


def in_a_baffle(name: str) -> Target:
    """A bundled target, ranked by units of a router."""
    robust = Robust("router", 1.0, read_process("router").accuracy)
    return replace(read_target(TARGETS / f"{name}.toml"), mounting=Mounting(), rooms=(), robust=robust)


def biased(target: Target) -> Target:
    """Ranked by units that are too wide."""
    robust = target.robust
    assert robust is not None  # of `in_a_baffle`
    assert robust.accuracy is not None  # the router's
    return replace(target, robust=replace(robust, accuracy=replace(robust.accuracy, bias=BIAS)))


def shape_of(target: Target, family: str) -> Job | None:
    """The first random one that keeps the limits and is solved, about the middle of the space."""
    random, size = np.random.default_rng(1), len(ParameterSpace(family, target.limits, target.driver).names)
    for _ in range(TRIED):
        job = Job(family, quantised(0.15 + 0.7 * random.random(size)), "screen")
        if evaluate(target, factory_for(target.mounting), job).feasible:
            return job
    return None


def times_of(target: Target, job: Job, runs: int) -> tuple[float, float]:
    """s, medians: of the drawn shape alone, and ranked by units.

    Every run has a shape of its own beside the job's, as in a search: of one that was looked at before, walls are kept.
    """
    spent: dict[str, list[float]] = {"drawn": [], "screen": []}
    for run in range(2 * runs):
        for turn, (stage, times) in enumerate(spent.items()):
            asked = Job(job.family, quantised(np.array(job.vector) + NUDGE * (2 * run + turn)), stage)
            start = time.process_time()
            found = evaluate(target, factory_for(target.mounting), asked)
            if found.feasible:
                times.append(time.process_time() - start)
    return statistics.median(spent["drawn"]), statistics.median(spent["screen"])


def main() -> None:
    print("\nranked by units of a router, against the screen of the drawn shape")
    with threadpool_limits(1):
        for name, runs in RUNS.items():
            target = in_a_baffle(name)
            jobs = [job for family in target.families if (job := shape_of(target, family))]
            for words, each in (("as made", target), ("with a bias", biased(target))):
                found = [times_of(each, job, runs) for job in jobs]
                ratios = [made / drawn for drawn, made in found]
                print(
                    f"{name:10}{'oblong' if target.oblong else 'round':8}{len(jobs)} shapes:"
                    f" {1e3 * statistics.median([drawn for drawn, _ in found]):.1f} ms drawn, {words}"
                    f" {statistics.median(ratios):.2f} times ({min(ratios):.2f} to {max(ratios):.2f})"
                )


if __name__ == "__main__":
    main()
