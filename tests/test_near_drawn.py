"""Caps of a drawn oblong wall moved to first order, against moved cones and arcs in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.radiation.medium import OblongMedium, medium
from evenflare.radiation.near_drawn import MovedCaps
from evenflare.radiation.oblong import Domes
from evenflare.radiation.resolution import OBLONG
from evenflare.units import FloatArray
from evenflare.waveguide import Conical, Oblong, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated

SCREEN, WAVENUMBER = OBLONG["screen"], 150.0
DEPTH, EXIT = 0.06, 0.0127
ANGLES = np.radians([40.0, 25.0])
ARC = 0.02
"""m, of the roundover."""


def drawn(*, roundover: float = 0.0) -> Waveguide:
    return Waveguide(Oblong(*(Conical(DEPTH, float(each), roundover) for each in ANGLES)))


def moved(waveguide: Waveguide, deviation: WallDeviation) -> tuple[Domes, FloatArray, bool]:
    """Caps of the wall as made but for those on the baffle, the samples, and whether they are the drawn one's moved."""
    air = medium(deviated(waveguide, deviation, splined=True, alike=True), SCREEN, WAVENUMBER)
    assert isinstance(air, OblongMedium)
    shells = air.caps.shells(air.sweep, WAVENUMBER, SCREEN)
    inside = shells.caps.z < air.caps.depth * (1.0 - 1e-9)
    caps = shells.caps._replace(**{name: getattr(shells.caps, name)[inside] for name in shells.caps._fields})
    return Domes(caps, *(each[inside] for each in shells[1:])), air.basis.psi, isinstance(air.caps, MovedCaps)


@pytest.mark.parametrize("off", [1e-4, -2e-4])
def test_caps_of_an_elliptic_cone_lie_as_far_beside_it_as_it_departs(off: float) -> None:
    """By the distance F / |grad F| from F = (x/a)^2 + (y/b)^2 - 1 = 0 to first order (calculus)."""
    shells, psi, near = moved(drawn(), WallDeviation(offset=off))
    assert near
    z = shells.caps.z[:, None]
    slopes = np.tan(ANGLES)
    a, b = (EXIT + slope * z for slope in slopes)
    x, y = shells.wide * np.cos(psi), shells.high * np.sin(psi)
    beyond = (x / a) ** 2 + (y / b) ** 2 - 1.0
    steep = -2.0 * (x**2 / a**3 * slopes[0] + y**2 / b**3 * slopes[1])
    gradient = np.sqrt((2.0 * x / a**2) ** 2 + (2.0 * y / b**2) ** 2 + steep**2)
    # What is left out, and of F's expansion: off squared over the smallest radius, of the throat.
    assert beyond / gradient == pytest.approx(np.full(x.shape, off), abs=1.5 * off**2 / EXIT)
    for axis, plane, slope, angle in zip((shells.a, shells.b), ("a", "b"), slopes, ANGLES, strict=True):
        expected = EXIT + slope * shells.caps.z + off / np.cos(angle)
        assert axis == pytest.approx(expected, abs=1e-12), plane  # a straight line moved: exactly


@pytest.mark.parametrize("off", [1e-4, -2e-4])
def test_caps_over_a_rolled_rim_lie_on_its_moved_arcs(off: float) -> None:
    """A wall further from the axis has a roundover of a smaller radius about the same centre."""
    shells, _, near = moved(drawn(roundover=ARC), WallDeviation(offset=off))
    assert near
    z = shells.caps.z
    for axis, angle in zip((shells.a, shells.b), ANGLES, strict=True):
        start = DEPTH - ARC * (1.0 - np.sin(angle))
        centre = DEPTH - ARC, EXIT + start * np.tan(angle) + ARC * np.cos(angle)
        on_arc = z > start + 1e-3
        assert on_arc.sum() > 4
        away = np.hypot(z - centre[0], axis - centre[1])[on_arc]
        # First order along a tangent leaves the square of what a point slides along it: as much as it departs, where
        # the cap goes with the mouth's plane; elsewhere less than twice that.
        assert away == pytest.approx(np.full(away.shape, ARC - off), abs=2.5 * off**2 / ARC)
        assert np.abs(away - ARC).min() > 0.9 * abs(off)


def test_scale_is_of_all_of_it() -> None:
    plain, _, _ = moved(drawn(roundover=ARC), WallDeviation(offset=1e-5))
    larger, _, near = moved(drawn(roundover=ARC), WallDeviation(offset=1e-5, scale=0.01))
    assert near
    for one, other in zip((plain.caps.z, *plain[1:]), (larger.caps.z, *larger[1:]), strict=True):
        assert other == pytest.approx(1.01 * one, rel=1e-12)


def test_a_wall_that_ends_steep_but_not_rolled_over_goes_by_its_own_caps() -> None:
    steep = Waveguide(Oblong(Conical(0.03, np.radians(65.0)), Conical(0.03, np.radians(50.0))))
    assert not moved(steep, WallDeviation(offset=1e-4))[2]
