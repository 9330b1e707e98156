"""Boundary elements where something is small: the integrals by Gauss's identity, and parts of nanometres."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from bodies import BODIES
from boundaries import AIR, QUARTER, at_sizes
from evenflare import closed_forms, metrics
from evenflare.directivity.types import Observation
from evenflare.radiation import boundary_elements
from evenflare.radiation.boundary import TOUCH, Boundary, BoundaryPart, boundary_of, normal
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.radiation.panels import Density
from evenflare.radiation.surface_pressure import equations
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Exponential, Mounting, Points, Waveguide
from evenflare.waveguide.walls import Arc, Line
from shapes import BENCHMARK

SOLVE = judge_solver()
HALF_ANGLE = 30 * DEGREE
SHAPES = {**BODIES, **BENCHMARK, "exponential": Waveguide(Exponential(0.15, 0.06))}
LENGTHS = (1e-6, 1e-7, 1e-8, 2e-9)
"""m, of a tube in front of an exit of 100 mm radius, or of a cap in a sphere as large."""


def piston(length: float) -> Waveguide:
    return Waveguide(Points(((0.0, 0.1), (length, 0.1))), Driver(0.1))


def cap(length: float) -> Waveguide:
    driver = Driver(0.1 * np.sin(HALF_ANGLE), HALF_ANGLE)
    return Waveguide(Points(((0.0, driver.exit_radius), (length, driver.exit_radius))), driver, Mounting(0.1))


class TestIntegrals:
    """1/2 = int dG/dn for the air at rest, at every node: Gauss's law of the solid angle, half a sphere of 4 pi."""

    @pytest.mark.parametrize("name", SHAPES)
    @pytest.mark.parametrize("wavenumber", [10.0, 60.0, 366.0])
    def test_gauss_identity(self, name: str, wavenumber: float) -> None:
        made = equations(boundary_of(SHAPES[name]), wavenumber=wavenumber, density=Density())
        # 3e-5: the rules for near and middling panels, seen 1e-5 at most. It was 1e-3, and 1 in the tractrix's cusp.
        assert np.abs(made.defect).max() < 3e-5

    def test_what_they_are_off_by_is_stated(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Where rows are wrong by 1 % the estimate may not say less, even if a finer mesh errs alike."""
        observation = Observation(np.array([500.0, 2000.0]), np.array([0.0, 1.0]))
        plain = SOLVE(BENCHMARK["tractrix"], observation, AIR)
        monkeypatch.setattr(boundary_elements, "equations", rough)
        found = SOLVE(BENCHMARK["tractrix"], observation, AIR)
        assert plain.error_estimate is not None
        assert found.error_estimate is not None
        assert plain.error_estimate.max() < 0.01  # dB
        assert found.error_estimate.min() > 0.08  # dB: 1 % is 0.087


def rough(*given, **more):
    made = equations(*given, **more)
    return replace(made, defect=np.full(made.mesh.size, 0.01))


class TestSmallParts:
    @pytest.mark.parametrize("length", LENGTHS)
    def test_flush_piston(self, length: float) -> None:
        sizes = np.array([0.5, 1.0, 2.0, 5.0, 10.0])
        found = SOLVE(piston(length), at_sizes(sizes, 0.1), AIR)
        # 2e-4: ten nodes per wavelength, as far as the longest tube is 1e-5 of the radius.
        np.testing.assert_allclose(metrics.directivity_index(found), closed_forms.piston_index(sizes), atol=2e-4)
        np.testing.assert_allclose(found.throat_impedance, closed_forms.piston_impedance(sizes), atol=2e-4)

    @pytest.mark.parametrize("length", LENGTHS)
    def test_cap(self, length: float) -> None:
        sizes = np.array([1.0, 2.0, 5.0])
        found = SOLVE(cap(length), at_sizes(sizes, 0.1), AIR)
        wanted = closed_forms.cap_index(sizes, half_angle=HALF_ANGLE, motion="radial")
        np.testing.assert_allclose(metrics.directivity_index(found), wanted, atol=1e-3)  # dB: of the mesh, seen 4e-4

    @pytest.mark.parametrize("shape", [piston, cap])
    def test_neither_integrals_nor_condition_suffer(self, shape) -> None:
        """From a hundredth of the size down to where points count as the same."""
        defects, rounding = [], []
        for length in (1e-3, 1e-5, 1e-7, 1.1e-9):
            made = equations(boundary_of(shape(length)), wavenumber=50.0, density=Density())
            defects.append(float(np.abs(made.defect).max()))
            rounding.append(made.solved(50.0).rounding)
        assert max(rounding) < 1e-11  # a condition of 5e4, or of 200 squared, with 2e-16
        for coarse, fine in pairwise(rounding):
            assert fine < 5 * coarse  # it does not grow with what the part shrinks by, a hundred times
        # 0.02 at 1e-8 of the size: last digits of coordinates over distances in the corner; a lost row has 0.5.
        assert defects[-1] < 0.02
        assert max(defects[:-1]) < 1e-3

    def test_a_wall_that_is_straight_and_oblique(self) -> None:
        """A node's own panel, in coordinates that are both rounded."""
        indices = []
        for left in (1e-7, 1e-8, 2e-9):
            wall = Conical(0.03 * (1 - np.sin(HALF_ANGLE)) + left, HALF_ANGLE, 0.03)
            made = equations(boundary_of(Waveguide(wall)), wavenumber=150.0, density=Density())
            assert np.abs(made.defect).max() < 1e-2  # as above
            indices.append(metrics.directivity_index(SOLVE(Waveguide(wall), at_sizes([0.5, 2.0], 0.03), AIR)))
        np.testing.assert_allclose(indices, np.broadcast_to(indices[0], (3, 2)), atol=1e-4)  # dB: 1e-7 of 0.03 and less

    def test_what_is_shorter_than_the_ends_that_meet_is_left_out(self) -> None:
        wall = Conical(0.03 * (1 - np.sin(HALF_ANGLE)) + 0.2 * TOUCH, HALF_ANGLE, 0.03)
        assert len(wall.meridian(0.0127).pieces) == 2
        parts = boundary_of(Waveguide(wall)).parts
        assert [type(part.piece) for part in parts] == [Line, Arc]  # the exit and the roundover

    def test_what_double_precision_cannot_hold_is_refused(self) -> None:
        """A hundredth of a nanometre on a sphere of 2 m, between caps that know nothing of it."""
        step, height = 1e-11, 1.0 * np.sin(HALF_ANGLE)
        front = Arc(1.0, 0.0, QUARTER, QUARTER + HALF_ANGLE, 1.0)
        z = float(np.cos(HALF_ANGLE))
        rest = Arc(z + step, height, QUARTER + HALF_ANGLE, 3 * QUARTER, 1.0)
        boundary = Boundary(
            (BoundaryPart(front, normal), BoundaryPart(Line(z, height, z + step, height)), BoundaryPart(rest)), 1.0
        )
        with pytest.raises(ValueError, match=r"near z_mm = 866.025, r_mm = 500 the boundary has a detail too small"):
            equations(boundary, wavenumber=2.0, density=Density())
