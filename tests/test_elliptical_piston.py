"""The elliptical piston's closed forms against integrals over its aperture and over the half sphere."""

import numpy as np
import pytest

from evenflare.closed_forms import elliptical_piston_index, elliptical_piston_pattern, piston_index, piston_pattern

HALF_WIDTH, HALF_HEIGHT = 0.06, 0.04
SIZES = {"half_width": HALF_WIDTH, "half_height": HALF_HEIGHT}
ANGLES = np.linspace(0.0, 0.5 * np.pi, 19)
PLANES = np.array([0.0, 0.25, 0.5]) * np.pi


def aperture_integral(wavenumber, off_axis, azimuth, half_width, half_height):
    """Rayleigh's far field of an even ellipse by quadrature: the mean of exp(j k x sin t cos f + j k y sin t sin f)."""
    node, share = np.polynomial.legendre.leggauss(60)
    radius, turn = 0.5 * (node + 1.0), np.arange(120) * 2 * np.pi / 120
    x, y = half_width * np.outer(radius, np.cos(turn)), half_height * np.outer(radius, np.sin(turn))
    phase = wavenumber * np.sin(off_axis) * (x * np.cos(azimuth) + y * np.sin(azimuth))
    return np.sum(np.exp(1j * phase) * (share * radius)[:, None]) / 120


@pytest.mark.parametrize("size", [0.5, 3.0, 10.0])
def test_pattern_is_the_integral_over_the_aperture(size):
    k = size / HALF_WIDTH
    pattern = elliptical_piston_pattern(k, ANGLES, azimuth=PLANES, **SIZES)
    assert pattern.shape == (1, 3, 19)
    for plane, azimuth in enumerate(PLANES):
        expected = [aperture_integral(k, t, azimuth, HALF_WIDTH, HALF_HEIGHT) for t in ANGLES]
        np.testing.assert_allclose(pattern[0, plane], expected, atol=1e-12)  # both sums converge exponentially


def test_pattern_in_the_two_planes_is_that_of_round_pistons():
    k = np.array([20.0, 80.0, 170.0])
    pattern = elliptical_piston_pattern(k, ANGLES, azimuth=[0.0, 0.5 * np.pi], **SIZES)
    for plane, radius in enumerate((HALF_WIDTH, HALF_HEIGHT)):
        np.testing.assert_allclose(pattern[:, plane], piston_pattern(k * radius, ANGLES), atol=1e-14)  # rounding


@pytest.mark.parametrize("half_height", [0.06, 0.055, 0.04, 0.02])
def test_index_is_the_power_through_the_half_sphere(half_height):
    k = np.array([1.0, 20.0, 80.0, 170.0])
    node, share = np.polynomial.legendre.leggauss(120)
    off_axis, azimuth = 0.25 * np.pi * (node + 1.0), (np.arange(160) + 0.5) * np.pi / 320
    pattern = elliptical_piston_pattern(k, off_axis, azimuth=azimuth, half_width=0.06, half_height=half_height)
    ring = share * 0.25 * np.pi * np.sin(off_axis)  # adds up to 1, the half sphere; the whole has twice that
    mean_square = 0.5 * np.mean(pattern**2 @ ring, axis=1)
    found = elliptical_piston_index(k, half_width=0.06, half_height=half_height)
    np.testing.assert_allclose(found, -10 * np.log10(mean_square), atol=1e-9)  # both sums converge exponentially


def test_index_of_equal_semi_axes_is_the_round_pistons():
    k = np.geomspace(0.01, 2000.0, 60)
    np.testing.assert_allclose(
        elliptical_piston_index(k, half_width=0.06, half_height=0.06), piston_index(0.06 * k), atol=1e-12
    )  # rounding


def test_index_where_small_is_the_half_spaces_and_where_large_the_apertures():
    assert elliptical_piston_index(0.01, **SIZES)[0] == pytest.approx(10 * np.log10(2.0), abs=1e-6)  # (ka)^2 left out
    wavelength = 0.002
    area = np.pi * HALF_WIDTH * HALF_HEIGHT
    large = elliptical_piston_index(2 * np.pi / wavelength, **SIZES)[0]
    # What is left out, J1(2kb) / kb of the power, is 10^-3 at kb = 126.
    assert large == pytest.approx(10 * np.log10(4 * np.pi * area / wavelength**2), abs=0.005)


@pytest.mark.parametrize("half_height", [0.006, 0.3])
def test_index_of_long_ellipses_has_points_enough(half_height):
    # Planes ten times as many change nothing that is promised; the mean of round pistons is the definition.
    for k in (5.0, 300.0, 2000.0):
        azimuth = (np.arange(20000) + 0.5) * 0.5 * np.pi / 20000
        reach = np.hypot(0.06 * np.cos(azimuth), half_height * np.sin(azimuth))
        expected = -10 * np.log10(np.mean(10 ** (-piston_index(k * reach) / 10)))
        found = elliptical_piston_index(k, half_width=0.06, half_height=half_height)[0]
        assert found == pytest.approx(expected, abs=1e-9)
