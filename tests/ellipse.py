"""The sound of a flat elliptical piston in a baffle, known in closed form, as a solver would give it."""

import numpy as np

from evenflare.air import Air
from evenflare.closed_forms import elliptical_piston_index, elliptical_piston_pattern
from evenflare.directivity.types import Directivity, Observation
from evenflare.units import DEGREE

AIR = Air()
HALF_WIDTH, HALF_HEIGHT = 0.06, 0.04


def elliptical_piston(
    frequency,
    *,
    half_width=HALF_WIDTH,
    half_height=HALF_HEIGHT,
    step_deg=5.0,
    planes_deg=(0.0, 45.0, 90.0),
    known_power=True,
    observation=None,
) -> Directivity:
    """From 0 to 180 degrees, nothing behind the baffle; its power as known or to be found from the pattern."""
    seen = observation or Observation(
        np.asarray(frequency),
        np.arange(0.0, 180.0 + 0.5 * step_deg, step_deg) * DEGREE,
        np.asarray(planes_deg) * DEGREE,
        symmetry="two_planes",
    )
    sizes = {"half_width": half_width, "half_height": half_height}
    wavenumber = 2 * np.pi * seen.frequency / AIR.speed_of_sound
    pattern = elliptical_piston_pattern(wavenumber, seen.off_axis, azimuth=seen.plane, **sizes)
    pattern[:, :, seen.off_axis > 0.5 * np.pi + 1e-9] = 0.0
    power = 4 * np.pi / AIR.impedance / 10 ** (elliptical_piston_index(wavenumber, **sizes) / 10)
    return Directivity(
        seen,
        pattern,
        np.ones(seen.frequency.size, dtype=bool),
        AIR.density,
        AIR.speed_of_sound,
        half_space=True,
        sound_power=power if known_power else None,
    )
