"""Which method judges: the march everywhere, but for searches for free-standing waveguides."""

from __future__ import annotations

from evenflare import radiation
from evenflare.radiation import Setting, Solver, method_for
from evenflare.search.worker import SolverFactory
from evenflare.waveguide import Mounting


def factory_for(mounting: Mounting, *, oblong: bool = False) -> SolverFactory:
    """The solvers of a search's stages."""
    if method_for(mounting) == "march":
        return radiation.solver
    return screened_by_large_cells if oblong else screened_by_long_panels


def screened_by_long_panels(setting: Setting) -> Solver:
    """Boundary elements of revolution all along: with long panels they rank as with short ones, and what the march
    makes of a body leads a descent to another end.
    """
    return radiation.solver("full" if setting == "full" else "estimate", method="boundary_elements")


def screened_by_large_cells(setting: Setting) -> Solver:
    """Boundary elements all along, but for the estimate: around an oblong mouth the march's sphere ranks too badly."""
    if setting == "estimate":
        return radiation.solver("screen", method="march")
    return radiation.solver("estimate" if setting == "screen" else setting, method="boundary_elements")


def ranking_words(mounting: Mounting, *, oblong: bool = False) -> str:
    """By which methods candidates are ranked, for the user; empty where one method does it all."""
    if method_for(mounting) == "march":
        return ""
    if oblong:
        return (
            "screened by boundary elements with large cells, as far up as these go, and by the march above, which takes"
            " the body for a sphere; finalists and winner are ranked at full, with smaller cells that go further"
        )
    return (
        "screened by boundary elements with long panels, which solve the body as it is; finalists and winner are ranked"
        " by the same with short ones"
    )
