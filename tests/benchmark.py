"""`make bench`: time and error of the march, the judge and the trades; what starting the program costs.

All that is printed is also kept, as the last section of docs/accuracy.md.

Errors are against a converged solution of the same solver: nearly doubled modes and halved steps, itself checked
against a finer one. Times are the least of several runs of one warmed-up process on one core, in process time, and as
ratios to the converged solution's time in the same run, which another machine should reproduce.
"""

from __future__ import annotations

import io
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import benchmark_budget
import benchmark_cabinet
import benchmark_calibration
import benchmark_comparison
import benchmark_crossover
import benchmark_dsp
import benchmark_forgiving
import benchmark_inspection
import benchmark_judge
import benchmark_manufacture
import benchmark_measurement
import benchmark_oblong
import benchmark_page
import benchmark_room
import benchmark_search
import documents
from evenflare import metrics, radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.objective import search_observation
from evenflare.radiation.march import Resolution, at_resolution
from evenflare.target.target import read_target
from evenflare.waveguide import Limits, Mounting, ParameterSpace, Waveguide
from shapes import BENCHMARK
from timing import least_time

OBSERVATION = Observation(frequency=np.geomspace(300, 20000, 60), off_axis=np.linspace(0, np.pi, 37))
CONVERGED = Resolution(10, 0.85, 6, 2)
FINER = Resolution(12, 1.0, 8, 3)
RUNS = {"full": 15, "screen": 30, "estimate": 60}
DIP_DB = 10.0
"""Frequencies whose on-axis level lies further below the loudest direction are listed apart."""
POLAR_DB = 20.0
"""Polar responses are compared down to this far below the axis."""


def converged(resolution: Resolution) -> Callable[[Waveguide], Directivity]:
    solve = at_resolution(resolution)
    return lambda waveguide: solve(waveguide, OBSERVATION, Air())


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def compare(found: Directivity, exact: Directivity) -> dict[str, float]:
    """Errors in dB."""
    level, wanted = (20 * np.log10(np.abs(each.pressure[:, 0]) + 1e-30) for each in (found, exact))
    dips = wanted[:, 0] < wanted.max(axis=1) - DIP_DB
    error = metrics.directivity_index(found) - metrics.directivity_index(exact)
    relative, relative_wanted = level - level[:, :1], wanted - wanted[:, :1]
    seen = (relative_wanted > -POLAR_DB) & ~dips[:, None]
    estimate = np.full(error.size, np.nan) if found.error_estimate is None else found.error_estimate
    return {
        "index rms": rms(error[~dips]),
        "index max": float(np.abs(error[~dips]).max()),
        "polar rms": rms((relative - relative_wanted)[seen]),
        "estimated rms": rms(estimate[~dips]),
        "dips": int(dips.sum()),
        "index max at dips": float(np.abs(error[dips]).max(initial=0.0)),
    }


def solver_table() -> None:
    print(f"{'':42}{'ms':>8}{'ratio':>8}  errors in dB")
    for name, waveguide in BENCHMARK.items():
        exact = converged(CONVERGED)(waveguide)
        change = compare(exact, converged(FINER)(waveguide))
        whole = least_time(converged(CONVERGED), waveguide, 3)
        print(f"{name:42}{1e3 * whole:8.1f}{1.0:8.3f}  converged: moves by {change['index max']:.4f} when refined")
        for setting, runs in RUNS.items():
            solve = radiation.solver(setting)
            spent = least_time(lambda each, solve=solve: solve(each, OBSERVATION, Air()), waveguide, runs)
            found = compare(solve(waveguide, OBSERVATION, Air()), exact)
            errors = ", ".join(f"{key} {value:.3g}" for key, value in found.items())
            print(f"    {setting:38}{1e3 * spent:8.2f}{spent / whole:8.3f}  {errors}")


def growth() -> None:
    """How the time of `full` grows with the highest frequency, which is how it grows with size."""
    waveguide = BENCHMARK["oblate-spheroidal 40 deg, roundover 20 mm"]
    print("\nfull, time at one frequency:", end="")
    solve = at_resolution(Resolution(5, 0.45, 3, 1))
    for frequency in (5e3, 10e3, 20e3, 40e3):
        one = Observation(frequency=np.array([frequency]), off_axis=OBSERVATION.off_axis)
        spent = least_time(lambda each, one=one: solve(each, one, Air()), waveguide, 8)
        print(f"  {frequency / 1e3:.0f} kHz {1e3 * spent:.1f} ms", end="")
    print()


def candidates() -> None:
    """What a candidate of a search costs: from vector to solved, one core."""
    target = read_target("targets/shelf.toml")
    space = ParameterSpace("free", Limits(target.limits.depth, target.limits.mouth_diameter), target.driver)
    vectors = np.random.default_rng(1).random((40, len(space.names)))
    observation, solve = search_observation(replace(target, mounting=Mounting())), radiation.solver("screen")
    start = time.process_time()
    shapes = [space.waveguide(vector) for vector in vectors]
    made = time.process_time()
    for shape in shapes:
        solve(shape, observation, target.air)
    solved = time.process_time()
    count = observation.frequency.size
    print(
        f"free candidate: {1e3 * (made - start) / 40:.2f} ms to make,"
        f" {1e3 * (solved - made) / 40:.2f} ms to solve at screen, {count} frequencies"
    )


def starting() -> None:
    evenflare = str(Path(sys.executable).with_name("evenflare"))
    for command in ([sys.executable, "-c", "import evenflare"], [evenflare, "--help"]):
        spent = []
        for _ in range(5):
            start = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            spent.append(time.perf_counter() - start)
        print(f"{command[-1]}: {min(spent):.2f} s, interpreter included")


class Kept(io.StringIO):
    """Standard output, and what went there."""

    def write(self, text: str) -> int:
        sys.__stdout__.write(text)
        return super().write(text)


def main() -> None:
    with redirect_stdout(Kept()) as printed:
        measure()
    page = documents.DOCS / "accuracy.md"
    page.write_text(documents.with_bench(page.read_text(encoding="utf-8"), printed.getvalue()), encoding="utf-8")


def measure() -> None:
    print(
        f"{datetime.now(UTC):%Y-%m-%d}, {platform.processor() or platform.machine()}, {os.cpu_count()} cores,"
        f" Python {platform.python_version()}"
    )
    radiation.solver("full")(next(iter(BENCHMARK.values())), OBSERVATION, Air())
    solver_table()
    growth()
    candidates()
    benchmark_oblong.main()
    benchmark_cabinet.main()
    benchmark_manufacture.main()
    benchmark_inspection.main()
    benchmark_judge.main()
    benchmark_dsp.main()
    benchmark_measurement.main()
    benchmark_budget.main()
    benchmark_comparison.main()
    benchmark_calibration.main()
    benchmark_crossover.main()
    benchmark_room.main()
    benchmark_page.main()
    benchmark_search.main()
    benchmark_forgiving.main()
    starting()


if __name__ == "__main__":
    main()
