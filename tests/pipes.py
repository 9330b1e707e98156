"""Straight tubes, and what their throat impedance says of their mouths; shared by several tests of the solvers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from boundaries import AIR
from evenflare.directivity.types import Observation
from evenflare.radiation import Solver
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import Driver, Mounting, Points, Waveguide

RADIUS = 0.0127


def piped(length: float, mounting: Mounting) -> Waveguide:
    """A straight tube of RADIUS behind an exit as wide."""
    return Waveguide(Points(((0.0, RADIUS), (length, RADIUS))), Driver(RADIUS), mounting)


def reflection(tube: Waveguide, sizes: Sequence[float], *, solve: Solver | None = None) -> ComplexArray:
    """Of a plane wave at the mouth, at these wavenumbers times RADIUS. The tube must be so long, three radii at least,
    that the mouth's sideways modes are gone at the exit, which moves evenly: exp(-3.83 z / radius) and slower above.
    """
    wavenumber = np.array(sizes) / RADIUS
    observation = Observation(wavenumber * AIR.speed_of_sound / (2 * np.pi), np.zeros(1))
    found = (solve or judge_solver())(tube, observation, AIR)
    assert found.throat_impedance is not None
    at_throat = (found.throat_impedance - 1.0) / (found.throat_impedance + 1.0)
    return np.asarray(at_throat * np.exp(2j * wavenumber * tube.depth))


def end_correction(reflected: ComplexArray, sizes: Sequence[float]) -> FloatArray:
    """In radii: R = -|R| exp(-2 j k delta)."""
    return np.asarray(-np.angle(-reflected) / (2.0 * np.array(sizes)))


def correction(tube: Waveguide, sizes: Sequence[float], *, solve: Solver | None = None) -> FloatArray:
    """The end correction of a tube, in radii."""
    return end_correction(reflection(tube, sizes, solve=solve), sizes)
