"""What the march says of its own error, held against true errors and against literature."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from error_shapes import OBLONG, ROUND, drawn, far, planes
from evenflare import metrics, radiation
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import Fineness, body_solver
from evenflare.radiation.medium import medium
from evenflare.radiation.panels import Density
from evenflare.radiation.resolution import OBLONG as OBLONG_SETTINGS
from evenflare.units import DEGREE
from evenflare.waveguide import Driver, OblateSpheroidal, Oblong, Points, RoundedRectangle, Tractrix, Waveguide
from listening import AIR, ANGLES, FULL
from shapes import through
from stated_errors import QUANTITIES, exact, figures, held, true_errors

UNSEEN = 8000
"""First seed of the shapes that no constant was chosen on; those were the seeds below 1000."""


@pytest.mark.slow
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_stated_errors_on_shapes_nobody_chose(quantity: str, shapes_held: list) -> None:
    """Of 65 shapes of 13 kinds: in 95 of 100 frequencies within twice what is stated, and not far too pessimistic."""
    assert len(shapes_held) >= 60
    within, excess, ratio = figures(shapes_held, quantity)
    assert within >= 0.95
    assert excess <= {"index": 0.1, "polar": 0.1, "impedance": 0.02}[quantity]  # dB, dB, share: where valid, never more
    assert 0.3 <= ratio <= 1.0


@pytest.fixture(scope="module")
def shapes_held() -> list:
    counts = dict.fromkeys(ROUND, 24) | dict.fromkeys(OBLONG, 8)
    return [held(kind, UNSEEN + i, frequencies=count) for kind, count in counts.items() for i in range(5)]


def rippled() -> Waveguide:
    """A cone of 36 degrees whose wall swings by 0.6 mm every 14 mm."""
    z = np.linspace(0.0, 0.1, 172)
    r = 0.0127 + 0.73 * z + 0.6e-3 * np.sin(2 * np.pi * z / 0.014)
    return Waveguide(Points(tuple(zip(z.tolist(), r.tolist(), strict=True))))


NEAR = Observation(np.geomspace(300, 20e3, 48), ANGLES, distance=1.0)
TOLD = {
    "rippled wall": (rippled(), far(48)),
    "four kinks": (Waveguide(through((0, 12.7), (20, 22), (40, 45), (62, 58), (85, 100), (95, 125))), far(48)),
    "tractrix, cut short": (Waveguide(Tractrix(0.13, 0.8 * Tractrix(0.13).meridian(12.7e-3).depth)), far(48)),
    "mouth of 400 mm at 1 m": (Waveguide(OblateSpheroidal(0.16, 50 * DEGREE, 0.02)), NEAR),
    "rounded rectangle": (
        Waveguide(
            Oblong(
                OblateSpheroidal(0.1, 43.5 * DEGREE, 0.012),
                OblateSpheroidal(0.1, 27 * DEGREE, 0.012),
                RoundedRectangle(0.015),
            )
        ),
        planes(12),
    ),
}


@pytest.mark.parametrize("name", TOLD)
def test_no_error_of_the_index_passes_unseen(name: str) -> None:
    """Also where the error passes through zero between two frequencies."""
    waveguide, observation = TOLD[name]
    found = FULL(waveguide, observation, AIR)
    assert found.error_estimate is not None
    true = true_errors(found, exact(waveguide)(waveguide, observation, AIR))["index"]
    assert np.mean(true <= 2.0 * found.error_estimate) >= 0.95
    # 0.06 dB: less than may be said too little while valid.
    assert np.all((true <= found.error_estimate + 0.06) | ~found.valid)


@pytest.mark.parametrize("setting", ["screen", "full"])
@pytest.mark.parametrize("length", [2.0, 10.0])
def test_end_correction_of_a_tube_flush_in_a_baffle(setting: radiation.Setting, length: float) -> None:
    """0.8216 a: Dalmont, Nederveen & Joly (2001), J. Sound Vib. 244, 505; Norris & Sheng (1989), J. Sound Vib. 135, 85.

    The edge of 90 degrees is the sharpest there is, and its field does not know the wavelength.
    """
    radius, size = 0.02, 0.02
    wavenumber = size / radius
    observation = Observation(np.array([wavenumber * AIR.speed_of_sound / (2 * np.pi)]), ANGLES)
    tube = Waveguide(Points(((0.0, radius), (length * radius, radius))), Driver(radius))
    found = radiation.solver(setting)(tube, observation, AIR)
    assert found.throat_impedance is not None
    assert found.impedance_error is not None
    whole = np.arctan(found.throat_impedance[0].imag) / wavenumber / radius
    assert whole - length == pytest.approx(0.8216, abs=5e-4)  # 0.7986 before elements shrank toward the edge
    wanted = np.tan(wavenumber * radius * (length + 0.8216))
    # Four digits of the correction are given, of a length that is several times as long.
    assert abs(found.throat_impedance[0].imag / wanted - 1.0) < found.impedance_error[0] + 1e-4


def test_ripples_in_the_wall_do_not_limit_what_refining_can_do() -> None:
    """Boundary elements share nothing with the march but the wall."""
    waveguide, _ = drawn("rippled", 0, frequencies=1)
    observation = replace(far(1), frequency=np.array([13653.0, 20000.0]))
    density = Density()
    finer = replace(density, nodes_per_wavelength=2.0 * density.nodes_per_wavelength, turn=0.5 * density.turn)
    wanted = metrics.directivity_index(body_solver(Fineness(finer))(boundary_of(waveguide), observation, AIR))
    found = metrics.directivity_index(exact(waveguide)(waveguide, observation, AIR))
    np.testing.assert_allclose(found, wanted, atol=0.03)  # dB; 0.15 while its caps were tabulated too coarsely


def test_a_rounded_rectangles_last_dome_does_not_fold() -> None:
    """At any resolution: folded elements were cut up until they were refused."""
    resolution = replace(OBLONG_SETTINGS["full"], azimuth_cost=0.4)
    for seed in (2, 3, 4):
        waveguide, _ = drawn("rectangle", seed, frequencies=1)
        air = medium(waveguide, resolution, 200.0)
        for wavenumber in (5.0, 20.0, 60.0):
            air.elements(air.sweep, wavenumber, resolution)  # raises ArithmeticError where it folds


def test_stated_errors_are_there_for_every_frequency_at_full_and_screen_only() -> None:
    waveguide = Waveguide(OblateSpheroidal(0.1, 40 * DEGREE, 0.02))
    for setting in ("full", "screen"):
        found = radiation.solver(setting)(waveguide, far(30), AIR)
        for each in (found.error_estimate, found.polar_error, found.impedance_error):
            assert each is not None
            assert np.all(each > 0.0)
            assert np.all(np.isfinite(each))
    estimate = radiation.solver("estimate")(waveguide, far(5), AIR)
    assert estimate.error_estimate is estimate.polar_error is estimate.impedance_error is None


def test_the_error_does_not_hang_on_which_frequencies_are_asked_for() -> None:
    """One frequency alone tells the same as it does among others that share its elements."""
    waveguide = TOLD["four kinks"][0]
    many = far(12)
    found = FULL(waveguide, many, AIR)
    alone = FULL(waveguide, replace(many, frequency=many.frequency[-1:]), AIR)
    for name in ("error_estimate", "polar_error", "impedance_error"):
        assert getattr(alone, name)[0] == pytest.approx(getattr(found, name)[-1], rel=1e-6)  # rounding
