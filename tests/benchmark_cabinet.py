"""The cabinet's part of `make bench`: what a box costs to solve and to keep, what a candidate in it costs against one
in a baffle, and how far the march in it lies from the judge in three dimensions.

A box of 300 x 450 x 300 mm with edges of 20 mm, the mouth 70 mm above the front's middle. Nothing kept is used.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmark_boxed_judge import judged
from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity
from evenflare.exterior.cabinets import memory_needed, operator_of, top_wavenumber
from evenflare.exterior.store import VARIABLE, cache_folder
from evenflare.objective import search_observation
from evenflare.target.target import read_target
from evenflare.waveguide import Cabinet, Mounting, ParameterSpace, Waveguide
from evenflare.waveguide.cabinet import Edge
from timing import largest_memory, least_time

BOX = Cabinet(0.3, 0.45, 0.3, Edge(0.02), Edge(0.02), y=0.07)
FREQUENCY = np.geomspace(200.0, 8000.0, 40)
SOLVED = 5 * 60.0
"""s of wall clock for an operator at most, and
MEMORY bytes, and
KEPT bytes on disk.
"""
MEMORY = 3 * 2**30
KEPT = 50_000_000
RATIO = 1.25
"""Of a candidate's time in the box over its time in a baffle at most."""
RUNS = {"screen": 4, "full": 2}
CANDIDATES = 6
SIZES = {
    "240 x 380 x 240, edges 15": Cabinet(0.24, 0.38, 0.24, Edge(0.015), Edge(0.015)),
    "300 x 450 x 300, edges 20": BOX,
    "the same, front edges 40": replace(BOX, front_edge=Edge(0.04)),
    "400 x 1000 x 350, edges 20": Cabinet(0.4, 1.0, 0.35, Edge(0.02), Edge(0.02)),
}
JUDGED = 2600.0
"""Hz, up to which the judge is asked: the highest frequencies take it longest."""


def wavenumber(frequency: np.ndarray) -> np.ndarray:
    return 2 * np.pi * frequency / Air().speed_of_sound


def solving(is_round: bool) -> None:
    """In a process and a cache of its own."""
    start, spent = time.perf_counter(), time.process_time()
    operator_of(BOX, wavenumber(FREQUENCY), is_round=is_round, cores=os.cpu_count() or 1)
    kept = sum(each.stat().st_size for each in Path(cache_folder()).rglob("*") if each.is_file())
    found = time.perf_counter() - start, time.process_time() - spent, largest_memory(), kept
    print(json.dumps(found))


def operators() -> None:
    print(f"\nbox of 300 x 450 x 300 mm, 40 frequencies to 8 kHz{'wall s':>10}{'core s':>8}{'MB':>8}{'MB kept':>9}")
    for name in ("round", "oblong"):
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [sys.executable, __file__, name],
                check=True,
                stdout=subprocess.PIPE,
                text=True,
                env={**os.environ, VARIABLE: folder},
            )
        wall, spent, memory, kept = json.loads(done.stdout.splitlines()[-1])
        met = "met" if wall <= SOLVED and memory <= MEMORY and kept <= KEPT else "MISSED"
        print(
            f"{f'{name} mouth':50}{wall:10.0f}{spent:8.0f}{memory / 1e6:8.0f}{kept / 1e6:9.1f}"
            f"  at most {SOLVED:.0f} s, {MEMORY / 1e6:.0f} MB, {KEPT / 1e6:.0f} MB: {met}"
        )


def growth() -> None:
    """How far up other boxes go, and what one frequency takes there and an octave below."""
    print(f"\n{'box':34}{'top Hz':>8}{'MB':>8}{'s':>8}{'octave below, s':>18}")
    for name, box in SIZES.items():
        top = top_wavenumber(box)
        times = []
        for k in (0.5 * top, top):
            start = time.perf_counter()
            operator_of(box, np.array([k]), is_round=True, cores=os.cpu_count() or 1)
            times.append(time.perf_counter() - start)
        hertz = top * Air().speed_of_sound / (2 * np.pi)
        print(f"{name:34}{hertz:8.0f}{memory_needed(box, top) / 1e6:8.0f}{times[1]:8.1f}{times[0]:18.1f}")


def candidates() -> None:
    """From vector to solved, one core, the operator ready: the least of several runs."""
    print(f"\n{'a candidate, ms':34}{'baffle':>10}{'box':>10}{'ratio':>8}")
    for name, file in (("round", "shelf"), ("oblong", "sideboard")):
        target = replace(read_target(f"targets/{file}.toml"), mounting=Mounting(), rooms=())
        boxed = replace(target, mounting=Mounting(cabinet=BOX))
        space, rng = ParameterSpace("oblate_spheroidal", target.limits, target.driver), np.random.default_rng(1)
        shapes = [space.waveguide(rng.random(len(space.names))) for _ in range(CANDIDATES)]
        for setting, runs in RUNS.items():
            solve = radiation.solver(setting)
            spent = []
            for each in (target, boxed):
                observation = search_observation(each)
                alike = [Waveguide(shape.shape, shape.driver, each.mounting) for shape in shapes]
                solve(alike[0], observation, Air())

                def solved(one: Waveguide, each=each, observation=observation, solve=solve) -> Directivity:  # type: ignore[no-untyped-def]
                    return solve(replace(one, mounting=each.mounting), observation, Air())

                spent.append(np.mean([least_time(solved, one, runs) for one in alike]))
            ratio = spent[1] / spent[0]
            met = "met" if ratio <= RATIO else "MISSED"
            print(
                f"{f'{name}, {setting}':34}{1e3 * spent[0]:10.2f}{1e3 * spent[1]:10.2f}{ratio:8.2f}"
                f"  at most {RATIO:g}: {met}"
            )


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        before = os.environ.get(VARIABLE)
        os.environ[VARIABLE] = folder
        try:
            operators()
            growth()
            candidates()
            judged(JUDGED)
        finally:
            if before is None:
                del os.environ[VARIABLE]
            else:
                os.environ[VARIABLE] = before


if __name__ == "__main__":
    if len(sys.argv) == 2:
        solving(sys.argv[1] == "round")
    else:
        main()
