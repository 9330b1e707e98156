"""The waveguide itself on axes that it is given: wall, mounting, dimension lines and notes, to scale in mm."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report import style
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Waveguide, measures
from evenflare.waveguide.walls import Arc

SMOOTH = 0.05
"""Degrees below which a joint counts as none."""
_MARGIN = 0.65
"""Inches of a picture's width beside the drawing."""
_LOWEST, _HIGHEST = 3.6, 7.0
"""Inches, of the picture."""
_LINE = 0.17
"""Inches from one line of text to the next."""


def roundover(waveguide: Waveguide) -> Arc | None:
    """The arc that turns the wall to the mouth's plane, if there is one."""
    pieces = waveguide.meridian.pieces
    return pieces[-1] if len(pieces) > 1 and isinstance(pieces[-1], Arc) else None


def throat_corner(waveguide: Waveguide) -> float:
    """Rad between the driver's exit and the wall where they meet."""
    return float(abs(waveguide.meridian.ends.angle[0] - waveguide.driver.exit_half_angle))


def hollow(waveguide: Waveguide) -> str:
    """What has the smallest hollow radius, and where."""
    found, wall = measures(waveguide), waveguide.meridian.dense
    radius = found.smallest_concave_radius
    at = "at the throat" if found.concave_at == wall.z[0] else f"at z = {found.concave_at / MILLIMETRE:.1f} mm"
    if radius == 0.0:
        return f"a corner that turns inward {at}"
    here = wall.z == found.concave_at
    around = wall.r[here] / np.maximum(np.cos(wall.angle[here]), 1e-9)
    # The circumference is hollow everywhere; the meridian is named only where it is the narrower of the two.
    return f"{'round the axis' if np.isclose(around, radius).any() else 'hollow along the wall'} {at}"


class Frame:
    """How much of the plane a profile's picture shows, mm, and the picture's height, inches."""

    def __init__(self, waveguide: Waveguide, width: float) -> None:
        wall = waveguide.meridian.dense
        z, mouth = wall.z / MILLIMETRE, wall.r[-1] / MILLIMETRE
        # Room for dimension lines and notes, so that it looks the same for every shape.
        self.unit = max(2 * mouth, 0.85 * z[-1]) / 20
        self.low, self.high = z.min() - 5.5 * self.unit, z.max() + 11.5 * self.unit
