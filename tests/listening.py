"""Air, angles and frequencies at which the tests of the march listen, and the power and mean that they compare with."""

from __future__ import annotations

import numpy as np

from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation.march import index_solver
from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Waveguide

AIR = Air()
FULL = radiation.solver("full")
UNCHECKED = index_solver("full")
"""What `FULL` finds, without its own error: of oblong waveguides in a quarter of the time."""
ANGLES = np.arange(0, 181, 5) * DEGREE
AUDIBLE = Observation(frequency=np.geomspace(300, 20000, 24), off_axis=ANGLES)


def throat_power(directivity: Directivity, waveguide: Waveguide) -> FloatArray:
    assert directivity.throat_impedance is not None
    return directivity.throat_impedance.real * AIR.impedance * waveguide.driver.exit_area


def cap_mean(half_angle: float, modes: int) -> FloatArray:
    """(1, modes) the mean of each mode over a cap, by quadrature: the flux of an even motion."""
    u, weights = radial_quadrature(40)
    eta = np.sqrt(u)
    area = weights * np.sin(half_angle * eta) / eta
    return np.asarray(area @ zernike(0, modes, u)[0] / area.sum())[None]
