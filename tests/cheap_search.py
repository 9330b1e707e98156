"""A search for a hidden member on a cheap invented solver."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from evenflare.air import Air
from evenflare.closed_forms import piston_pattern
from evenflare.directivity import Directivity, Observation
from evenflare.metrics import directivity_index
from evenflare.search import run_search
from evenflare.target import Target
from evenflare.units import DEGREE
from evenflare.waveguide import Driver, Limits, Mounting, ParameterSpace, Waveguide

LIMITS = Limits(depth=(0.06, 0.14), mouth_diameter=(0.14, 0.22))
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


def slow_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    time.sleep(0.02)
    return cheap_solve(waveguide, observation, air)


def refusing_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    raise ValueError("beyond this solver's reach")


def cheap(setting):
    return cheap_solve


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


def searched(folder: Path, target: Target | None = None, **others):
    arguments = {"target_text": TEXT, "solver_factory": cheap}
    return run_search(target or hidden_target(), folder, **(arguments | others))


def main(folder: str) -> None:
    """A run in a process of its own, slow enough to be killed on the way."""
    run_search(hidden_target(), Path(folder), target_text=TEXT, solver_factory=slow, workers=2)
