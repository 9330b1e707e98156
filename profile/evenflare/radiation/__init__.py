"""The solvers, one signature: (Waveguide, Observation, Air) -> Directivity."""

from __future__ import annotations

import os
from typing import Literal, Protocol, get_args

from evenflare.air import Air
from evenflare.design import Design
from evenflare.directivity import Directivity, Observation
from evenflare.waveguide import Waveguide

Setting = Literal["estimate", "screen", "full"]
SETTINGS: tuple[Setting, ...] = get_args(Setting)
"""Of the march, from the quickest to the most exact."""


Method = Literal["march"]
METHODS: tuple[Method, ...] = get_args(Method)


class Solver(Protocol):
    """What radiates: 1 m/s rms times the exit's area at the throat, observed around the waveguide."""

    def __call__(self, waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        """The directivity. ValueError if the waveguide cannot be built or lies outside the method's reach."""
        ...


def solve(design: Design, *, method: Method = "march", setting: Setting = "full") -> Directivity:
    """The directivity of a design as its file asks for it: its observation, its air. On every core of the machine."""
    solve_all = solver(setting, method=method, cores=os.cpu_count() or 1)
    return solve_all(design.waveguide, design.observation, design.air)


def solver(setting: Setting = "full", *, method: Method = "march", cores: int = 1) -> Solver:
    """A solver by name: the march over spherical caps, at one of its settings, frequencies spread over cores.

    ValueError for any other word.
    """
    if method not in METHODS:
        raise ValueError(f"method {method!r}: must be one of {', '.join(METHODS)}")
    if setting not in SETTINGS:
        raise ValueError(f"setting {setting!r}: must be one of {', '.join(SETTINGS)}")
    from evenflare.radiation.march import march_solver

    return march_solver(setting, cores=cores)
