"""The boundary elements as a solver: observation, cores, provenance, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest

from boundaries import AIR, ANGLES, axial, ball, can
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import Boundary, BoundaryPart, boundary_of, normal
from evenflare.radiation.boundary_elements import Fineness, body_solver, judge_solver
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Mounting, Oblong, Waveguide
from evenflare.waveguide.walls import Line
from shapes import BENCHMARK, CONE

BODY = boundary_of(Waveguide(Conical(0.08, 40 * DEGREE, 0.01), Driver(), Mounting(0.15)))
BOUNDARIES = pytest.mark.parametrize("boundary", [boundary_of(CONE), BODY], ids=["baffle", "body"])
SOLVE = body_solver()


def observed(**more: float) -> Observation:
    return Observation(frequency=np.array([500.0, 4000.0]), off_axis=ANGLES, **more)


class TestObservation:
    @BOUNDARIES
    def test_far_field_is_the_limit_of_distance(self, boundary: Boundary) -> None:
        r = 500.0
        far = SOLVE(boundary, observed(reference_z=0.11), AIR)
        near = SOLVE(boundary, observed(distance=r, reference_z=0.11), AIR)
        spread = near.pressure[:, 0] * r * np.exp(1j * near.wavenumber[:, None] * r)
        # Differences fall with size^2 / (wavelength distance): 0.15^2 * 12 / 500.
        np.testing.assert_allclose(spread, far.pressure[:, 0], rtol=0, atol=2e-3 * np.abs(far.pressure).max())

    @BOUNDARIES
    def test_reference_point_moves_the_phase_only(self, boundary: Boundary) -> None:
        here, ahead = SOLVE(boundary, observed(), AIR), SOLVE(boundary, observed(reference_z=0.05), AIR)
        turned = here.pressure[:, 0] * np.exp(-0.05j * here.wavenumber[:, None] * np.cos(ANGLES))
        np.testing.assert_allclose(ahead.pressure[:, 0], turned, atol=1e-12 * np.abs(turned).max())

    def test_planes_and_sides_are_alike(self) -> None:
        observation = Observation(
            frequency=np.array([3000.0]), off_axis=np.array([-0.5, 0.0, 0.5]), plane=np.array([0.0, 0.5 * np.pi])
        )
        found = SOLVE(BODY, observation, AIR).pressure[0]
        np.testing.assert_array_equal(found[0], found[1])
        assert found[0, 0] == pytest.approx(found[0, 2], rel=1e-12)

    def test_a_point_in_the_body_is_refused(self) -> None:
        with pytest.raises(ValueError, match="distance_m = 0.05: must keep every point outside the body"):
            SOLVE(can(0.1, 0.2), observed(distance=0.05, reference_z=-0.1), AIR)

    def test_an_axis_behind_the_baffle_is_refused(self) -> None:
        with pytest.raises(ValueError, match="distance_m = 0.2: the point on axis lies behind the baffle"):
            SOLVE(boundary_of(CONE), observed(distance=0.2, reference_z=-0.2), AIR)

    def test_a_reference_behind_the_baffle_hides_the_last_angles(self) -> None:
        found = SOLVE(boundary_of(CONE), observed(distance=0.5), AIR)
        np.testing.assert_array_equal(found.behind, 0.5 * np.cos(ANGLES) < 0.1)


class TestSolver:
    def test_cores_change_nothing(self) -> None:
        one, two = (judge_solver(cores=cores)(BENCHMARK["tractrix"], observed(), AIR) for cores in (1, 2))
        np.testing.assert_array_equal(one.pressure, two.pressure)
        for name in ("error_estimate", "polar_error", "impedance_error"):
            np.testing.assert_array_equal(getattr(one, name), getattr(two, name))

    def test_provenance_says_how_it_was_made(self) -> None:
        observation = Observation(frequency=np.geomspace(300, 16000, 12), off_axis=ANGLES)
        found = judge_solver()(CONE, observation, AIR)
        assert found.provenance["method"] == "boundary_elements"
        assert found.half_space
        assert found.valid.all()
        # 1.8412 c / (2 pi a), the first zero of J1' (Abramowitz & Stegun 1964, table 9.5): 7.92 kHz for 25.4 mm.
        assert found.provenance["first_cross_mode_hz"] == pytest.approx(7918.5, rel=1e-3)
        assert found.provenance["bands"][-1]["nodes"] > found.provenance["bands"][0]["nodes"]
        assert found.provenance["bands"][-1]["to_hz"] == pytest.approx(16000)

    def test_unchecked_there_is_no_estimate(self) -> None:
        found = body_solver(Fineness(checked=False))(boundary_of(CONE), observed(), AIR)
        assert found.error_estimate is None
        assert found.provenance["error_rms_db"] is None


class TestRefusals:
    def test_oblong_waveguide(self) -> None:
        oblong = Waveguide(Oblong(Conical(0.1, 40 * DEGREE), Conical(0.1, 30 * DEGREE)))
        with pytest.raises(
            ValueError, match='solves round waveguides only, .* Take the method "march", or make it round'
        ):
            judge_solver()(oblong, observed(), AIR)

    def test_boundary_with_a_gap(self) -> None:
        parts = (BoundaryPart(Line(0, 0, 0, 0.1), axial), BoundaryPart(Line(0.001, 0.1, -0.1, 0)))
        with pytest.raises(ValueError, match=r"gap of 0.001 m at z = 0 m"):
            Boundary(parts, 0.03)

    def test_boundary_that_is_open(self) -> None:
        parts = (BoundaryPart(Line(0, 0, 0, 0.1), axial), BoundaryPart(Line(0, 0.1, -0.1, 0.1)))
        with pytest.raises(ValueError, match="from the axis to the axis"):
            Boundary(parts, 0.03)

    def test_boundary_at_rest(self) -> None:
        with pytest.raises(ValueError, match="a part that moves"):
            Boundary((BoundaryPart(Line(0, 0, 0, 0.1)), BoundaryPart(Line(0, 0.1, -0.1, 0))), 0.03)

    def test_motion_without_volume(self) -> None:
        """Inner half out, outer half in: equal areas."""
        middle = 0.1 / np.sqrt(2)
        parts = tuple(
            BoundaryPart(Line(0, a, 0, b), axial, lambda r: np.sign(middle - r))
            for a, b in ((0, middle), (middle, 0.1))
        )
        with pytest.raises(ValueError, match="volume velocity is 0"):
            SOLVE(Boundary((*parts, BoundaryPart(Line(0, 0.1, -0.1, 0))), 0.03), observed(), AIR)

    def test_body_of_too_many_wavelengths(self) -> None:
        with pytest.raises(ValueError, match="wavelengths wide at the highest frequency: must be at most 17"):
            SOLVE(ball(0.5, normal), Observation(frequency=np.array([250e3]), off_axis=ANGLES), AIR)
