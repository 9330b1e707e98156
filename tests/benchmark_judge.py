"""The judge's part of `make bench`: time and error of boundary elements, and of the march beside them.

Errors are against converged solutions, each method's own: twice the nodes or nearly twice the modes, and how far these
two differ is told. Times on one core are process time of a warmed-up process, on two cores wall time.
"""

from __future__ import annotations

import time

import numpy as np

from bodies import BODIES
from evenflare import metrics, radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation import Solver
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import FINENESS, Fineness, body_solver, warm_up
from evenflare.radiation.march import Resolution, at_resolution
from evenflare.radiation.panels import Density
from evenflare.units import FloatArray
from evenflare.waveguide import Exponential, Waveguide
from shapes import BENCHMARK
from timing import least_time

OBSERVATION = Observation(frequency=np.geomspace(300, 20000, 60), off_axis=np.linspace(0, np.pi, 37))
CONVERGED = Fineness(
    Density(order=6, nodes_per_wavelength=22.0, turn=0.35, growth=0.5, corner=0.15, facing=2.0), checked=False
)
CONVERGED_MARCH = at_resolution(Resolution(10, 0.85, 6, 2))
LADDER = (4.0, 4.5, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0)
"""Nodes per wavelength, among which the judge's coarsest mesh is sought that is no worse than the march."""
BAFFLED = {
    "exponential, mouth 250 mm": Waveguide(Exponential(0.200, float(0.200 / np.log(125 / 12.7)))),
    "tractrix, mouth 200 mm": BENCHMARK["tractrix"],
}
RUNS = 5
DIP_DB = 10.0
"""Frequencies whose on-axis level lies further below the loudest direction count nowhere: the index is ill there."""


def at_fineness(fineness: Fineness) -> Solver:
    solve = body_solver(fineness)
    return lambda waveguide, observation, air: solve(boundary_of(waveguide), observation, air)


def seconds(solve: Solver, waveguide: Waveguide, runs: int = RUNS) -> float:
    return least_time(lambda each: solve(each, OBSERVATION, Air()), waveguide, runs)


def index_error(found: Directivity, exact: Directivity) -> FloatArray:
    """dB, where the axis is not in a dip."""
    level = np.abs(exact.pressure[:, 0])
    kept = level[:, 0] > level.max(axis=1) * 10 ** (-DIP_DB / 20)
    return (metrics.directivity_index(found) - metrics.directivity_index(exact))[kept]


def rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def settings_table() -> None:
    print(f"\nboundary elements, 60 frequencies, {'':18}{'one core':>9}{'two':>8}  index error, dB")
    for name, waveguide in {**BAFFLED, **BODIES}.items():
        exact = at_fineness(CONVERGED)(waveguide, OBSERVATION, Air())
        ends = boundary_of(waveguide).parts
        arc = sum(float(np.mean(part.piece.frame_at(np.linspace(0, 1, 129)).speed)) for part in ends)
        print(f"{name}, {1e3 * arc:.0f} mm of meridian")
        for setting in reversed(radiation.SETTINGS):
            one, two = (radiation.solver(setting, method="boundary_elements", cores=cores) for cores in (1, 2))
            both = least_time(lambda each, two=two: two(each, OBSERVATION, Air()), waveguide, RUNS, time.perf_counter)
            found = one(waveguide, OBSERVATION, Air())
            error = index_error(found, exact)
            estimate = found.provenance["error_rms_db"]
            told = "" if estimate is None else f", estimated rms {estimate:.4f}"
            print(
                f"    {setting:46}{seconds(one, waveguide):7.3f} s{both:6.3f} s"
                f"  rms {rms(error):.4f}, max {np.abs(error).max():.3f}{told}"
            )


def equal_error() -> None:
    """The march at full beside the judge's coarsest mesh that is no worse, neither with its check of itself."""
    print("\nmarch and judge at equal error, without their checks:")
    march = at_resolution(Resolution(5.0, 0.45, 3.0, 1.0))
    for name, waveguide in BENCHMARK.items():
        exact, exact_march = (each(waveguide, OBSERVATION, Air()) for each in (at_fineness(CONVERGED), CONVERGED_MARCH))
        of_march = rms(index_error(march(waveguide, OBSERVATION, Air()), exact_march))
        for nodes in LADDER:
            judge = at_fineness(
                Fineness(Density(nodes_per_wavelength=nodes), edges=FINENESS["full"].edges, checked=False)
            )
            of_judge = rms(index_error(judge(waveguide, OBSERVATION, Air()), exact))
            if of_judge <= of_march:
                break
        march_time, judge_time = seconds(march, waveguide, 3 * RUNS), seconds(judge, waveguide)
        print(
            f"    {name:42} march {1e3 * march_time:.0f} ms at {of_march:.4f} dB rms, judge {1e3 * judge_time:.0f} ms"
            f" at {of_judge:.4f} with {nodes:g} nodes per wavelength: {judge_time / march_time:.1f} times; converged"
            f" they differ by {rms(index_error(exact, exact_march)):.4f}"
        )


def main() -> None:
    warm_up()
    settings_table()
    equal_error()


if __name__ == "__main__":
    main()
