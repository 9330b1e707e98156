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
    return screened_by_large_cells if oblong else screened_by_march


def screened_by_march(setting: Setting) -> Solver:
    """The march, which takes a body for a sphere, up to the setting that counts; there the body as it is."""
    return radiation.solver(setting, method="boundary_elements" if setting == "full" else "march")


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
        "screened by the march, which takes the body for a sphere; finalists and winner are ranked at full by boundary"
        " elements, which solve the body as it is"
    )
