"""A search for a hidden member on a cheap invented solver."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_info

from evenflare.air import Air
from evenflare.closed_forms import piston_pattern
from evenflare.directivity.types import Directivity, Observation
from evenflare.metrics import directivity_index
from evenflare.search import run_search
from evenflare.target.target import Target
from evenflare.units import DEGREE
from evenflare.waveguide import Driver, Limits, Mounting, ParameterSpace, Waveguide

LIMITS = Limits(depth=(0.06, 0.14), mouth_diameter=(0.14, 0.22))
OBLONG = Limits(
    depth=(0.06, 0.14),
    mouth_diameter=None,
    mouth_width=(0.16, 0.24),
    mouth_height=(0.1, 0.16),
    section_exponent=(2.0, 4.0),
)
FREQUENCY = np.geomspace(900.0, 12000.0, 24)
TEXT = 'name = "hidden"'


def cheap_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    """Two pistons side by side in size, the larger as strong as the wall is steep: invented, smooth in the shape."""
    meridian = waveguide.meridian
    size = 2 * np.pi * observation.frequency / air.speed_of_sound
    steep = float(np.mean(meridian.dense.angle))
    pattern = piston_pattern(size * meridian.mouth_radius / 2, observation.off_axis)
    pattern = pattern + steep * piston_pattern(size * meridian.depth / 4, observation.off_axis)
    pattern[:, observation.off_axis > 0.5 * np.pi + 1e-9] = 0.0
    valid = np.ones(size.size, bool)
    return Directivity(observation, pattern[:, None, :], valid, air.density, air.speed_of_sound, half_space=True)


def oblong_solve(waveguide: Waveguide, observation: Observation, air: Air, *, stretch: float = 1.0) -> Directivity:
    """An elliptical piston of the mouth's size beside a round one as deep as the waveguide: invented, smooth."""
    size = 2 * np.pi * observation.frequency / air.speed_of_sound
    width, height = stretch * waveguide.mouth_width / 2, waveguide.mouth_height / 2
    steep = float(np.mean(waveguide.surface.vertical.dense.angle))
    planes = [
        piston_pattern(size * np.hypot(width * np.cos(azimuth), height * np.sin(azimuth)), observation.off_axis)
        + steep * piston_pattern(size * waveguide.depth / 4, observation.off_axis)
        for azimuth in observation.plane
    ]
    pattern = np.stack(planes, axis=1)
    pattern[:, :, observation.off_axis > 0.5 * np.pi + 1e-9] = 0.0
    valid = np.ones(size.size, bool)
    return Directivity(observation, pattern, valid, air.density, air.speed_of_sound, half_space=True)


def slow_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    time.sleep(0.02)
    return cheap_solve(waveguide, observation, air)


def refusing_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    raise ValueError("beyond this solver's reach")


def cheap(setting):
    return cheap_solve


def oblong(setting):
    return oblong_solve


def slow(setting):
    return slow_solve


def refusing(setting):
    return refusing_solve


def hidden_target(solve=cheap_solve, *, family="conical", vector=(0.4, 0.6, 0.3), **others) -> Target:
    """A target made from a member of a family."""
    waveguide = ParameterSpace(family, LIMITS).waveguide(np.array(vector))
    directivity = solve(waveguide, Observation(FREQUENCY, np.arange(37) * 5 * DEGREE), Air())
    values = {
        "name": "hidden",
        "driver": Driver(),
        "mounting": Mounting(),
        "air": Air(),
        "index_kind": "sphere",
        "frequency": FREQUENCY,
        "index_db": directivity_index(directivity),
        "tolerance_db": np.full(24, 0.5),
        "weight": np.ones(24),
        "beamwidth": None,
        "crossover": None,
        "limits": LIMITS,
        "families": ("conical", "exponential", "free"),
        "candidates": 90,
        "seed": 1,
    }
    return Target(**(values | others))


def oblong_target(**others) -> Target:
    """A target made from an oblong member of a family."""
    waveguide = ParameterSpace("conical", OBLONG).waveguide(np.full(6, 0.4))
    seen = Observation(FREQUENCY, np.arange(37) * 5 * DEGREE, np.array([0, 0.25, 0.5]) * np.pi, symmetry="two_planes")
    index = directivity_index(oblong_solve(waveguide, seen, Air()))
    return hidden_target(limits=OBLONG, index_db=index, **({"candidates": 200} | others))


def searched(folder: Path, target: Target | None = None, **others):
    arguments = {"target_text": TEXT, "solver_factory": cheap}
    return run_search(target or hidden_target(), folder, **(arguments | others))


def marked_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    """Slow, and leaves a file named after the process while it works, and a line for each call begun."""
    folder, pid = Path(os.environ["MARKS"]), os.getpid()
    with (folder / "begun").open("a") as begun:
        begun.write(f"{pid} {threadpools()}\n")
    (folder / f"{pid}.busy").touch()
    time.sleep(0.05)
    (folder / f"{pid}.busy").unlink()
    return cheap_solve(waveguide, observation, air)


def threadpools() -> int:
    """Threads that linear algebra may use in this process."""
    return max(library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas")


def marked(setting):
    return marked_solve


def main(folder: str) -> None:
    """A run in a process of its own, slow enough to be killed on the way."""
    run_search(hidden_target(), Path(folder), target_text=TEXT, solver_factory=slow, workers=2)
