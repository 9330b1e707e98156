"""Solves that rounding would spoil first, against closed forms, by whichever kernels the linear algebra library takes.

Run as a program it prints, as JSON, the kernels that ran and what was found; `test_boundary_processors` reads that.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pipes import RADIUS, correction, piped

import numpy as np
from threadpoolctl import threadpool_info

from boundaries import AIR, at_density, at_sizes, axial, ball
from evenflare import closed_forms, metrics, radiation
from evenflare.directivity.types import Directivity
from evenflare.units import DEGREE
from evenflare.waveguide import Driver, Mounting, Oblong, Points, RoundCabinet, Waveguide
from shapes import FALLING

HALF_ANGLE = 30 * DEGREE


def tube(length: float, radius: float) -> Points:
    return Points(((0.0, radius), (length, radius)))


def found() -> Iterator[tuple[str, float, float]]:
    """What is compared, by how much it is off, and the most that is allowed."""
    sizes = np.array([0.5, 2.0, 5.0])
    for length in (1e-6, 1e-8, 2e-9):
        for method in radiation.METHODS:
            solve = radiation.solver("full", method=method)
            yield from _flush(f"{method}, a tube of {length:g} m", solve, sizes, length)
    oblong = Waveguide(Oblong(tube(2e-9, 0.0127), tube(2e-9, 0.0127)))
    yield "an oblong disc, index", _index(radiation.solver("full")(oblong, at_sizes(sizes, 0.0127), AIR), sizes), 1e-3
    # The first resonance of the solid sphere: without its cure the least squares have no one solution.
    solid = at_sizes([np.pi], 0.15)
    cured = at_density(10)(ball(HALF_ANGLE, axial), solid, AIR)
    wanted = closed_forms.cap_index(np.array([np.pi]), half_angle=HALF_ANGLE, motion="axial")
    yield "a cap at the solid's resonance, index", _most(metrics.directivity_index(cured) - wanted), 2e-3
    # 0.2 mm: the equations on both sides are nearly one. 0.005 radii: see test_boundary_pipes on that formula.
    radius = RADIUS + 0.2e-3
    thin = piped(0.05, Mounting(body=RoundCabinet(2 * radius, 0.08)))
    yield "a tube with a wall of 0.2 mm, end correction", abs(correction(thin, [0.02])[0] - 0.6207), 0.005
    yield "a tube in a baffle, end correction", abs(correction(piped(0.1, Mounting()), [0.02])[0] - 0.8216), 1e-3
    march = radiation.solver("full")(FALLING, at_sizes([1.0, 5.0, 20.0], 0.1), AIR)
    assert march.sound_power is not None
    assert march.throat_impedance is not None
    entering = march.throat_impedance.real * AIR.impedance * FALLING.driver.exit_area
    yield "the march, power in over power out", _most(march.sound_power / entering - 1.0), 1e-6


def _flush(name: str, solve: radiation.Solver, sizes: np.ndarray, length: float) -> Iterator[tuple[str, float, float]]:
    radius = 0.1
    piston = solve(Waveguide(tube(length, radius), Driver(radius)), at_sizes(sizes, radius), AIR)
    # 1e-3 dB and 1e-3: the bars of `evenflare check`; the longest of the tubes is 1e-5 of its radius.
    yield f"{name}: piston, index", _index(piston, sizes), 1e-3
    yield f"{name}: piston, impedance", _most(piston.throat_impedance - closed_forms.piston_impedance(sizes)), 1e-3
    driver = Driver(radius * np.sin(HALF_ANGLE), HALF_ANGLE)
    cap = Waveguide(tube(length, driver.exit_radius), driver, Mounting(radius))
    index = metrics.directivity_index(solve(cap, at_sizes(sizes, radius), AIR))
    wanted = closed_forms.cap_index(sizes, half_angle=HALF_ANGLE, motion="radial")
    yield f"{name}: cap, index", _most(index - wanted), 3e-3


def _index(piston: Directivity, sizes: np.ndarray) -> float:
    return _most(metrics.directivity_index(piston) - closed_forms.piston_index(sizes))


def _most(values: np.ndarray) -> float:
    return float(np.abs(values).max())


def kernels() -> set[str]:
    """Those that serve this process."""
    return {each["architecture"] for each in threadpool_info() if each["internal_api"] == "openblas"}


if __name__ == "__main__":
    rows = list(found())
    sys.stdout.write(json.dumps({"kernels": sorted(kernels()), "found": rows}))
