"""Invented solvers that end their own process, as a system does that has run out of memory."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from cheap_search import cheap_solve
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.waveguide import Waveguide


def _told(waveguide: Waveguide) -> str:
    """What becomes of a shape: ONCE and ALWAYS hold the depths, m, of one shape each."""
    return next((told for told in ("ONCE", "ALWAYS") if abs(waveguide.depth - float(os.environ[told])) < 1e-12), "")


def killing_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    """The first call for one shape, and every call for another, ends its process."""
    told = _told(waveguide)
    before = Path(os.environ["MARKS"]) / told
    if told == "ALWAYS" or (told == "ONCE" and not before.exists()):
        with before.open("a") as mark:
            mark.write(f"{os.getpid()}\n")
        os.kill(os.getpid(), signal.SIGKILL)
    return cheap_solve(waveguide, observation, air)


def sparing_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    """The one for which every call would is refused."""
    if _told(waveguide) == "ALWAYS":
        raise ValueError("spared")
    return cheap_solve(waveguide, observation, air)


def killing(setting):
    return killing_solve


def sparing(setting):
    return sparing_solve


def told(environment, setting):
    """The same in a process that was started before anybody knew which."""
    os.environ.update(environment)
    return killing_solve
