"""The oblong part of `make bench`: time and error of the three settings, and a general library on the same shape.

Errors are against a converged solution of the same solver, up to 12.5 kHz; polar responses where they lie above -15 dB
re on axis. Times are process time on one core of a warmed-up process, the least of several runs.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from boundary_reference import timed
from evenflare import metrics, radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.objective import search_observation
from evenflare.radiation.march import at_resolution, memory_needed
from evenflare.radiation.resolution import Resolution
from evenflare.target.target import read_target
from evenflare.units import DEGREE
from evenflare.waveguide import Mounting, ParameterSpace
from oblong_shapes import CANDIDATE, OBLONG_BENCHMARK
from timing import least_time

OBSERVATION = Observation(
    np.geomspace(300, 16e3, 60),
    np.linspace(0, np.pi, 37),
    plane=np.array([0.0, 45.0, 90.0]) * DEGREE,
    symmetry="two_planes",
)
CONVERGED = Resolution(9.0, 0.55, 4.5, 1.5, azimuth_cost=0.4)
FINER = Resolution(11.0, 0.6, 5.2, 1.8, azimuth_cost=0.4)
RUNS = {"full": 3, "screen": 8, "estimate": 15}
TOP_HZ = 12.5e3
POLAR_DB = -15.0


def errors(found: Directivity, exact: Directivity) -> str:
    """In words, dB."""
    low = found.observation.frequency <= TOP_HZ
    front = found.observation.off_axis <= 0.5 * np.pi
    moved = metrics.directivity_index(found) - metrics.directivity_index(exact)
    level, wanted = (metrics.levels_re_on_axis(each)[:, :, front] for each in (found, exact))
    polar = np.abs(level - wanted)[(wanted > POLAR_DB) & low[:, None, None]]
    text = f"index rms {np.sqrt(np.mean(moved[low] ** 2)):.4f}, max {np.abs(moved[low]).max():.3f};"
    text += f" above 12.5 kHz max {np.abs(moved[~low]).max():.3f}; polar rms {np.sqrt(np.mean(polar**2)):.3f}, max"
    text += f" {polar.max():.2f}"
    if found.error_estimate is not None:
        text += f"; estimated rms {np.sqrt(np.mean(found.error_estimate[low] ** 2)):.4f}"
    return text


def solver_table() -> None:
    print(f"\noblong, 60 frequencies to 16 kHz{'':24}{'s':>8}{'ratio':>8}  errors in dB")
    for name, waveguide in OBLONG_BENCHMARK.items():
        exact = at_resolution(CONVERGED)(waveguide, OBSERVATION, Air())
        whole = least_time(lambda each: at_resolution(CONVERGED)(each, OBSERVATION, Air()), waveguide, 1)
        change = errors(exact, at_resolution(FINER)(waveguide, OBSERVATION, Air()))
        print(f"{name:56}{whole:8.2f}{1.0:8.3f}  converged, refined again: {change}")
        for setting, runs in RUNS.items():
            solve = radiation.solver(setting)
            spent = least_time(lambda each, solve=solve: solve(each, OBSERVATION, Air()), waveguide, runs)
            found = solve(waveguide, OBSERVATION, Air())
            print(f"    {setting:52}{spent:8.3f}{spent / whole:8.3f}  {errors(found, exact)}")


def growth() -> None:
    """How time and memory of `full` grow with the highest frequency, which is how they grow with size."""
    print("\noblong, full, one frequency without its check:", end="")
    solve = at_resolution(Resolution(5.0, 0.45, 3.0, 1.0, azimuth_cost=0.6))
    for frequency in (4e3, 8e3, 16e3):
        one = Observation(np.array([frequency]), OBSERVATION.off_axis, plane=OBSERVATION.plane, symmetry="two_planes")
        spent = least_time(lambda each, one=one: solve(each, one, Air()), CANDIDATE, 4)
        size = memory_needed(CANDIDATE, one, Air()) / 1e6
        print(f"  {frequency / 1e3:.0f} kHz {1e3 * spent:.0f} ms, {size:.0f} MB with its check", end="")
    print()


def candidates() -> None:
    """What a candidate of an oblong search costs at each stage, one core."""
    target = replace(read_target("targets/sideboard.toml"), mounting=Mounting(), rooms=())
    space = ParameterSpace("oblate_spheroidal", target.limits, target.driver)
    vectors = np.random.default_rng(1).random((8, len(space.names)))
    observation = search_observation(target)
    for setting in ("estimate", "screen", "full"):
        solve = radiation.solver(setting)
        start = time.process_time()
        for vector in vectors:
            solve(space.waveguide(vector), observation, target.air)
        print(
            f"oblong candidate at {setting}: {(time.process_time() - start) / 8:.3f} s,"
            f" {observation.frequency.size} frequencies to {observation.frequency[-1] / 1e3:.0f} kHz"
        )


def general_library() -> None:
    """One frequency of the conical shape by a general boundary-element library beside ours, both on one core."""
    waveguide = OBLONG_BENCHMARK["conical, ellipse, sharp mouth"]
    one = Observation(np.array([4e3]), OBSERVATION.off_axis, plane=OBSERVATION.plane, symmetry="two_planes")
    exact = metrics.directivity_index(at_resolution(CONVERGED)(waveguide, one, Air()))[0]
    print(
        "\none frequency, 4 kHz, of a conical shape of 200 x 120 x 100 mm, index error against our converged solution:"
    )
    ours = {}
    for setting in ("full", "screen"):
        solve = radiation.solver(setting)
        ours[setting] = least_time(lambda each, solve=solve: solve(each, one, Air()), waveguide, 4)
        moved = metrics.directivity_index(solve(waveguide, one, Air()))[0] - exact
        print(f"    ours, {setting}: {1e3 * ours[setting]:.0f} ms, {moved:+.3f} dB")
    for refinement in (1, 2):
        spent, solution = timed(waveguide, 4e3, panel=0.0175, refinement=refinement, air=Air())
        print(
            f"    general library, {solution.panels} panels in a quarter: {1e3 * spent:.0f} ms, "
            f"{solution.index - exact:+.3f} dB; {spent / ours['full']:.1f} times ours at full"
        )


def main() -> None:
    solver_table()
    general_library()
    growth()
    candidates()


if __name__ == "__main__":
    main()
