"""What a driver that sits askew does to polar responses and index; order 1 by both methods."""

from __future__ import annotations

import numpy as np
import pytest

from askew import by_elements
from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_field import far_pressure
from evenflare.radiation.field import pressure, sound_power
from evenflare.radiation.medium import RoundMedium, medium
from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.radiation.panels import Density
from evenflare.radiation.resolution import OBLONG, ROUND
from evenflare.radiation.surface_pressure import equations
from evenflare.radiation.throat import throat_response
from evenflare.radiation.tilted import tilted
from evenflare.waveguide import (
    Cabinet,
    Conical,
    Driver,
    Mounting,
    OblateSpheroidal,
    Oblong,
    RolledShell,
    Source,
    Waveguide,
)

AIR = Air()
RADIUS = 12.7e-3
PLANE = np.linspace(-np.pi / 2, np.pi / 2, 13)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_waves_of_any_order_by_both_methods(order: int) -> None:
    """An exit whose velocity goes as r^m cos(m a), through the march and through boundary elements."""
    waveguide, angle, k = Waveguide(Conical(0.05, 0.6)), np.linspace(0.1, np.pi / 2, 6), 150.0
    air = RoundMedium(waveguide, 40, order=order)
    response = throat_response(air, np.array([k]), ROUND["full"].refined())
    u, weights = radial_quadrature(30)
    flux = RADIUS**2 * (zernike(order, response.order.size, u)[0].T @ (weights * u ** (0.5 * order))) / np.sqrt(2.0)
    seen = Observation(np.array([1.0]), angle)
    found = pressure(1j * k * (response.outgoing @ flux), np.array([k]), end=air.end, observation=seen)[0, 0]
    boundary = boundary_of(waveguide)
    made = equations(boundary, wavenumber=k, density=Density(order=6, nodes_per_wavelength=14.0), order=order)
    mesh, driven = made.mesh, np.zeros(made.mesh.size, dtype=np.complex128)
    exit_ = slice(0, mesh.part_start[1])
    driven[exit_] = (mesh.r[exit_] / RADIUS) ** order * mesh.rate[exit_]
    other = far_pressure(
        k, np.cos(angle), made.solved(k, driven), mesh=mesh, baffled=True, reference_z=0.0, order=order
    )
    # Both divided more finely than usual; measured: 6e-5.
    np.testing.assert_allclose(found, other, atol=3e-4 * np.abs(other).max())


class TestTilted:
    @pytest.mark.parametrize(
        "waveguide",
        [
            Waveguide(OblateSpheroidal(0.05, 0.6)),
            Waveguide(Conical(0.05, 0.6)),
            Waveguide(Conical(0.05, 0.5), Driver(exit_half_angle=0.3)),
            Waveguide(OblateSpheroidal(0.05, 0.6), mounting=Mounting(0.1)),
            Waveguide(OblateSpheroidal(0.05, 0.6), Driver(velocity_profile=((0.0, 1.0), (0.6, 0.7), (1.0, 0.2)))),
        ],
        ids=["smooth", "kinked", "curved", "sphere", "uneven"],
    )
    def test_march_against_boundary_elements(self, waveguide: Waveguide) -> None:
        """One by a weak form on caps, the other pointwise on a surface, with kernels of their own."""
        frequency = np.array([6000.0, 10000.0])
        seen = Observation(frequency, PLANE)
        found = tilted(waveguide, seen, AIR)
        for row, each in enumerate(frequency):
            even, odd, _ = by_elements(waveguide, 2 * np.pi * each / AIR.speed_of_sound, np.abs(PLANE))
            odd = odd * np.where(PLANE < 0.0, -1.0, 1.0)
            for mine, other in ((found.pressure, even), (found.slope, odd)):
                apart = np.abs(mine[row, 0] / AIR.impedance - other)
                # The march's own error at this setting: 5e-3 at most, and a tenth of that one step finer.
                assert apart.max() < 7e-3 * np.abs(other).max()

    def test_it_goes_as_the_cosine_and_keeps_the_axis(self) -> None:
        seen = Observation(np.array([9000.0]), np.linspace(-1.2, 1.2, 5), plane=np.array([0.0, 0.6, np.pi / 2]))
        found = tilted(Waveguide(Conical(0.05, 0.6)), seen, AIR, toward=0.6)
        towards = found.slope[0, 1]
        for row, plane in enumerate(seen.plane):
            np.testing.assert_allclose(found.slope[0, row], np.cos(plane - 0.6) * towards, atol=1e-12)  # rounding
        assert found.slope[0, :, 2] == pytest.approx(0.0, abs=1e-12 * np.abs(towards).max())
        np.testing.assert_allclose(towards[::-1], -towards, rtol=1e-12)
        np.testing.assert_allclose(found.level_per_degree * 180 / np.pi, found.level)
        np.testing.assert_allclose(found.level_per_rise * found.rim, found.level)

    def test_sound_leans_where_the_driver_does(self) -> None:
        """A shallow dish hardly holds what its exit sends: a piston that turns turns its sound."""
        waveguide = Waveguide(Conical(0.003, 1.2))
        seen = Observation(np.array([9000.0]), np.array([-0.5, 0.5]))
        level = tilted(waveguide, seen, AIR).level[0, 0]
        assert level[1] > 0.0 > level[0]

    def test_a_source_scales_it(self) -> None:
        seen = Observation(np.array([3000.0, 9000.0]), np.array([0.0, 0.5]))
        drawn = Waveguide(Conical(0.05, 0.6))
        one = tilted(drawn, seen, AIR)
        other = tilted(Waveguide(Conical(0.05, 0.6), Driver(source=Source("pressure"))), seen, AIR)
        np.testing.assert_allclose(other.level, one.level, rtol=1e-9)  # rounding
        assert np.abs(other.pressure[:, 0, 0]) != pytest.approx(np.abs(one.pressure[:, 0, 0]))

    def test_odd_power_near_and_far(self) -> None:
        """What odd flux through the throat gives is what leaves: waves are orthogonal over the sphere."""
        k = np.array([60.0, 180.0])
        oblong = Waveguide(Oblong(Conical(0.04, 0.7), Conical(0.04, 0.4)))
        for waveguide, setting, axis in (
            (Waveguide(Conical(0.05, 0.6)), ROUND, "x"),
            (Waveguide(Conical(0.05, 0.6), mounting=Mounting(0.12)), ROUND, "x"),
            (oblong, OBLONG, "x"),
            (oblong, OBLONG, "y"),
        ):
            air = medium(waveguide, setting["screen"], float(k[-1]), odd_in=axis)  # type: ignore[arg-type]
            response = throat_response(air, k, setting["screen"])
            flux = np.zeros(response.order.size)
            flux[np.flatnonzero(np.abs(response.order) == 1)[:2]] = 1.0, 0.3
            near = (1j * k * AIR.impedance)[:, None] * (response.impedance @ flux)
            # Pressure times velocity, of which flux is j k rho c times, over 2 pi of the azimuth.
            power = 2 * np.pi * (near @ flux).real / 1.0
            far = sound_power((1j * k * AIR.impedance)[:, None] * (response.outgoing @ flux), k, end=air.end, air=AIR)
            np.testing.assert_allclose(far, power, rtol=1e-8)  # the march conserves energy but for rounding

    def test_an_oblong_waveguide_that_is_round(self) -> None:
        """Two solvers' bases: many orders, stretched caps, cosines and sines."""
        seen = Observation(np.array([4000.0, 9000.0]), np.array([-0.4, 0.4, 1.2]), plane=np.array([0.0, 1.0]))
        shape = OblateSpheroidal(0.04, 0.5)
        one = tilted(Waveguide(shape), seen, AIR, toward=0.4)
        other = tilted(Waveguide(Oblong(shape, shape)), seen, AIR, toward=0.4)
        apart = np.abs(other.slope - one.slope).max(axis=(1, 2)) / np.abs(one.slope).max(axis=(1, 2))
        assert apart.max() < 1e-2  # either one's own error, a third of it each
        np.testing.assert_allclose(other.bend, one.bend, atol=3e-3 * np.abs(one.bend).max())
        assert other.rim == pytest.approx(one.rim)

    def test_an_oblong_waveguide_turned(self) -> None:
        wide, high = Conical(0.04, 0.7), Conical(0.04, 0.4)
        angle = np.array([-0.4, 0.4, 1.2])
        one = tilted(
            Waveguide(Oblong(wide, high)), Observation(np.array([9000.0]), angle), AIR, toward=0.0, setting="screen"
        )
        other = tilted(
            Waveguide(Oblong(high, wide)),
            Observation(np.array([9000.0]), angle, plane=np.array([np.pi / 2])),
            AIR,
            toward=np.pi / 2,
            setting="screen",
        )
        np.testing.assert_allclose(other.slope, one.slope, rtol=1e-8)  # rounding
        np.testing.assert_allclose(other.bend, one.bend, rtol=1e-8)
        assert other.rim == pytest.approx(one.rim)

    @pytest.mark.parametrize(
        "mounting",
        [Mounting(cabinet=Cabinet(0.3, 0.45, 0.3)), Mounting(body=RolledShell(0.005, 0.06, 0.05))],
        ids=["cabinet", "body"],
    )
    def test_surroundings_that_are_known_for_even_sound(self, mounting: Mounting) -> None:
        wide, high = Conical(0.04, 0.7), Conical(0.04, 0.4)
        waveguide = Waveguide(Oblong(wide, high), mounting=mounting)
        with pytest.raises(ValueError, match=r"\[mounting\] kind = .* Take the same waveguide in a baffle"):
            tilted(waveguide, Observation(np.array([1000.0]), np.zeros(1)), AIR)
