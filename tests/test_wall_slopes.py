"""Slopes of the sound with the wall, against differences of other solvers over walls that are moved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import Fineness, body_solver
from evenflare.radiation.march import at_resolution
from evenflare.radiation.panels import Density
from evenflare.radiation.resolution import OBLONG, ROUND
from evenflare.radiation.wall_slopes import wall_slopes
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import Conical, Mounting, OblateSpheroidal, Oblong, Points, RolledShell, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated

AIR = Air()
KNOTS = (0.0, 0.3, 0.5, 0.7, 1.0)
BUMP = (0.0, 0.0, 1.0, 0.0, 0.0)
FINER = Density(order=7, nodes_per_wavelength=20.0, turn=0.4, growth=0.6, corner=0.2)
"""So that meshes of two walls hardly differ by more than the walls do."""
STEP = 1e-4
"""m: the change's third order is below 3e-3 of it (measured against half and double)."""
SEEN = Observation(np.array([2000.0, 6000.0, 12000.0]), np.linspace(-np.pi / 2, np.pi / 2, 13))


def bump(share: FloatArray) -> FloatArray:
    """(N, 1) the one of BUMP, from knot to knot as WallDeviation's."""
    at = np.clip(np.searchsorted(KNOTS, share, side="right") - 1, 0, len(KNOTS) - 2)
    knots, values = np.array(KNOTS), np.array(BUMP)
    v = (share - knots[at]) / (knots[at + 1] - knots[at])
    return np.asarray(values[at] + (values[at + 1] - values[at]) * v**3 * (10 - 15 * v + 6 * v**2))[:, None]


def differences(pressure: Callable[[float], ComplexArray], step: float) -> ComplexArray:
    return (pressure(step) - pressure(-step)) / (2 * step)


def apart(found: ComplexArray, other: ComplexArray) -> FloatArray:
    """(F,) largest difference over the largest of the other."""
    return np.asarray(np.abs(found - other).max(axis=(1, 2)) / np.abs(other).max(axis=(1, 2)))


@pytest.mark.parametrize(
    "waveguide",
    [
        Waveguide(OblateSpheroidal(0.06, 0.6)),
        Waveguide(Points(((0.0, 0.0127), (0.03, 0.03), (0.06, 0.08)))),
        Waveguide(OblateSpheroidal(0.06, 0.6), mounting=Mounting(0.1)),
    ],
    ids=["spheroid", "corner", "sphere"],
)
def test_against_differences_of_the_march(waveguide: Waveguide) -> None:
    finer = replace(ROUND["full"].refined().refined(), apart=0.0, edges=())

    def pressure(off: float) -> ComplexArray:
        moved = deviated(waveguide, WallDeviation(shares=KNOTS, waves=tuple((off * each,) for each in BUMP)))
        return at_resolution(finer)(moved, SEEN, AIR).pressure

    found = wall_slopes(waveguide, SEEN, AIR, shapes=bump)
    # Its own error of 3e-3, and the step's.
    assert apart(found.slope[0], differences(pressure, STEP)).max() < 5e-3
    np.testing.assert_allclose(found.pressure, pressure(0.0), atol=3e-3 * np.abs(found.pressure).max())


def test_a_body_as_it_is() -> None:
    """Against differences of boundary elements, which take the body for no sphere."""
    waveguide = Waveguide(OblateSpheroidal(0.05, 0.6), mounting=Mounting(body=RolledShell(0.01, 0.06, 0.05)))
    seen = Observation(np.array([3000.0, 8000.0]), np.linspace(0.0, np.pi, 9))

    def pressure(off: float) -> ComplexArray:
        moved = deviated(waveguide, WallDeviation(shares=KNOTS, waves=tuple((off * each,) for each in BUMP)))
        return judge(boundary_of(moved), seen, AIR).pressure

    judge = body_solver(Fineness(FINER, edges=(), checked=False))
    found = wall_slopes(waveguide, seen, AIR, shapes=bump).slope[0]
    assert apart(found, differences(pressure, STEP)).max() < 5e-3  # as above


def test_ovality_against_the_oblong_march() -> None:
    """A cone whose planes open by more and by less is an ellipse: a radius that goes as the cosine of twice the
    azimuth, which the march solves on other caps, in other modes.
    """
    depth, wall = 0.05, 0.6
    seen = Observation(
        np.array([3000.0, 8000.0]), np.linspace(0.0, np.pi / 2, 7), plane=np.array([0.0, 0.6, np.pi / 2])
    )

    def pressure(angle: float) -> ComplexArray:
        oblong = Waveguide(Oblong(Conical(depth, wall + angle), Conical(depth, wall - angle)))
        return at_resolution(replace(OBLONG["full"], apart=0.0, edges=()))(oblong, seen, AIR).pressure

    found = wall_slopes(
        Waveguide(Conical(depth, wall)),
        seen,
        AIR,
        shapes=lambda share: (share * depth / np.cos(wall))[:, None],  # of the normal for each rad
        order=2,
    ).slope[0]
    # Its own error of 3e-3, and as much of the march's; the ellipse's other harmonics are of second order.
    assert apart(found, differences(pressure, 5e-3)).max() < 6e-3


@pytest.mark.parametrize("mounting", [Mounting(), Mounting(body=RolledShell(0.01, 0.06, 0.05))], ids=["baffle", "body"])
def test_index_against_differences(mounting: Mounting) -> None:
    """The judge's own index, from the power that its surfaces give."""
    waveguide = Waveguide(OblateSpheroidal(0.05, 0.6), mounting=mounting)
    judge = body_solver(Fineness(FINER, edges=(), checked=False))

    def index(off: float) -> FloatArray:
        moved = deviated(waveguide, WallDeviation(shares=KNOTS, waves=tuple((off * each,) for each in BUMP)))
        found = judge(boundary_of(moved), SEEN, AIR).far_field_index
        assert found is not None  # it knows it
        return found

    slopes = wall_slopes(waveguide, SEEN, AIR, shapes=bump)
    expected = (index(STEP) - index(-STEP)) / (2 * STEP)
    # The slopes' own error, of the largest of them.
    assert slopes.index[0] == pytest.approx(expected, abs=5e-3 * np.abs(expected).max())
    assert not wall_slopes(waveguide, SEEN, AIR, shapes=bump, order=1).index.any()
    share = slopes.slope[0, 1, 0, 6] / slopes.pressure[1, 0, 6]
    assert slopes.level[0, 1, 0, 6] == pytest.approx(20 / np.log(10) * share.real)


@pytest.mark.parametrize("order", [-1, 9])
def test_orders_beyond_the_tables(order: int) -> None:
    with pytest.raises(ValueError, match=f"order = {order}: must be 0 to 8"):
        wall_slopes(Waveguide(Conical(0.05, 0.6)), SEEN, AIR, shapes=bump, order=order)


def test_the_far_field_alone() -> None:
    with pytest.raises(ValueError, match="distance = 2 m: must be infinite"):
        wall_slopes(Waveguide(Conical(0.05, 0.6)), replace(SEEN, distance=2.0), AIR, shapes=bump)
