"""Which method judges: the march everywhere, but for the last stage of a search for free-standing waveguides."""

from __future__ import annotations

from evenflare import radiation
from evenflare.radiation import Setting, Solver, method_for
from evenflare.search.worker import SolverFactory
from evenflare.waveguide import Mounting


def factory_for(mounting: Mounting) -> SolverFactory:
    """The solvers of a search's stages."""
    return radiation.solver if method_for(mounting) == "march" else screened_by_march


def screened_by_march(setting: Setting) -> Solver:
    """The march, which takes a body for a sphere, up to the setting that counts; there the body as it is."""
    return radiation.solver(setting, method="boundary_elements" if setting == "full" else "march")


def ranking_words(mounting: Mounting) -> str:
    """By which methods candidates are ranked, for the user; empty where one method does it all."""
    if method_for(mounting) == "march":
        return ""
    return (
        "screened by the march, which takes the body for a sphere; finalists and winner are ranked at full by boundary"
        " elements, which solve the body as it is"
    )
