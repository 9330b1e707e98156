"""The solvers, one signature: (Waveguide, Observation, Air) -> Directivity."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Literal, Protocol, get_args

from evenflare.air import Air
from evenflare.design.file import Design
from evenflare.directivity.types import Directivity, Observation
from evenflare.waveguide import Mounting, Waveguide

Setting = Literal["estimate", "screen", "full"]
SETTINGS: tuple[Setting, ...] = get_args(Setting)
"""Of a method, from the quickest to the most exact."""

Method = Literal["march", "boundary_elements"]
METHODS: tuple[Method, ...] = get_args(Method)
"""The march over spherical caps: quick, in a baffle or a sphere, for round and oblong waveguides; a body that stands
free it takes for a sphere. Boundary elements, an independent judge: slower, bodies as they are; oblong waveguides in a
cabinet, or standing free, only.
"""


Done = Callable[[int], None]
"""Called with the number of frequencies that are done, from the highest down, by boundary elements in three dimensions:
only these take long.
"""


class Solver(Protocol):
    """What radiates: what the driver's source gives to the throat, observed around the waveguide."""

    def __call__(self, waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        """The directivity. ValueError if the waveguide cannot be built or lies outside the method's reach."""
        ...


def method_for(mounting: Mounting) -> Method:
    """The method whose answer counts: the one that solves a mounting as it is, and of two such the quicker."""
    return "boundary_elements" if mounting.kind == "free_standing" else "march"


def solve(
    design: Design, *, method: Method | None = None, setting: Setting = "full", progress: Done | None = None
) -> Directivity:
    """The directivity of a design as its file asks for it: its observation, its air. On every core of the machine.

    method   : left out, the one for the design's mounting.
    progress : see Done.
    Beamwidths and the standard's curves are read off angles as close as the pattern needs, whatever the file asks for:
    see Directivity.resolved.
    """
    from evenflare.radiation.angles import resolved

    chosen = method or method_for(design.waveguide.mounting)
    solve_all = resolved(solver(setting, method=chosen, cores=os.cpu_count() or 1, progress=progress))
    return solve_all(design.waveguide, design.observation, design.air)


def solver(
    setting: Setting = "full", *, method: Method = "march", cores: int = 1, progress: Done | None = None
) -> Solver:
    """A solver by name: a method at one of its settings, frequencies spread over cores. ValueError for other words."""
    if method not in METHODS:
        raise ValueError(f"method {method!r}: must be one of {', '.join(METHODS)}")
    if setting not in SETTINGS:
        raise ValueError(f"setting {setting!r}: must be one of {', '.join(SETTINGS)}")
    from evenflare.radiation.source import driven

    return driven(_of_unit_velocity(setting, method, cores, progress))


def _of_unit_velocity(setting: Setting, method: Method, cores: int, progress: Done | None) -> Solver:
    """Either method's own, for 1 m/s rms over the exit; it alone is loaded."""
    if method == "march":
        from evenflare.radiation.march import march_solver

        return march_solver(setting, cores=cores)
    from evenflare.radiation.boundary_elements import judge_solver
    from evenflare.radiation.loudspeaker_elements import whole_solver
    from evenflare.radiation.standing import standing_solver

    of_revolution, in_space = judge_solver(setting, cores=cores), whole_solver(setting, cores=cores, progress=progress)
    standing = standing_solver(setting, cores=cores, progress=progress)

    def solve_as_it_is(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        which = in_space if waveguide.mounting.kind == "cabinet" else of_revolution
        if waveguide.oblong_body is not None:
            which = standing
        return which(waveguide, observation, air)

    return solve_as_it_is
