"""Band frequencies against the standard's numbers; smoothing against what it must leave alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.bands import band_edges, midbands, smoothed, smoothed_level

# IEC 61260-1, base ten, thirds of an octave: exact midband, lower and upper edge, six digits written.
THIRDS = [
    (199.526, 177.828, 223.872),
    (251.189, 223.872, 281.838),
    (501.187, 446.684, 562.341),
    (1000.00, 891.251, 1122.02),
    (1258.93, 1122.02, 1412.54),
    (5011.87, 4466.84, 5623.41),
    (10000.0, 8912.51, 11220.2),
    (19952.6, 17782.8, 22387.2),
]


@pytest.mark.parametrize(("midband", "low", "high"), THIRDS)
def test_third_octave_bands_after_iec_61260_1(midband, low, high):
    bands = midbands(3, lowest=20.0, highest=20e3)
    nearest = bands[np.argmin(np.abs(bands - midband))]
    np.testing.assert_allclose([nearest, *band_edges(nearest, fraction=3)], [midband, low, high], rtol=6e-6)  # digits


@pytest.mark.parametrize(
    ("fraction", "bands"),
    [(6, [944.061, 1059.25, 1188.50]), (12, [971.628, 1029.20, 1090.18]), (24, [985.712, 1014.50, 1044.12])],
)
def test_even_fractions_have_1000_hz_as_an_edge(fraction, bands):
    # IEC 61260-1, even designators, six digits written.
    np.testing.assert_allclose(midbands(fraction, lowest=bands[0] - 1, highest=bands[2] + 1), bands, rtol=6e-6)


def test_bands_include_both_ends_of_the_range():
    bands = midbands(1, lowest=1000 / 10**0.3, highest=1000 * 10**0.3)
    np.testing.assert_allclose(bands, [501.187, 1000.0, 1995.26], rtol=6e-6)  # digits written


def test_an_empty_range_of_bands_is_refused():
    with pytest.raises(ValueError, match="from 200 to 100 Hz"):
        midbands(3, lowest=200.0, highest=100.0)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.floats(20.0, 20e3), min_size=1, max_size=30, unique_by=lambda f: round(f, 1)),
    st.floats(0.5, 48.0),
    st.floats(-60.0, 60.0),
)
def test_a_constant_level_stays_as_it_is(frequency, fraction, level):
    result = smoothed_level(sorted(frequency), np.full(len(frequency), level), fraction=fraction)
    np.testing.assert_allclose(result, level, atol=1e-6)  # rounding of close frequencies


def test_power_straight_over_log_frequency_stays_inside_and_bends_at_the_ends():
    frequency = np.geomspace(100.0, 10e3, 60)
    power = 1.0 + np.log(frequency / 100.0)
    result = smoothed(frequency, power, fraction=3)
    np.testing.assert_allclose(result[6:-6], power[6:-6], rtol=1e-12)  # rounding; 6 points exceed half a band
    # At the ends half the band is left: its mean stands a quarter band inside, ln(10^0.1) / 4.
    assert result[0] == pytest.approx(power[0] + np.log(10.0**0.1) / 4.0, rel=1e-12)
    assert result[-1] == pytest.approx(power[-1] - np.log(10.0**0.1) / 4.0, rel=1e-12)


def test_a_narrow_peak_keeps_its_energy():
    # A triangle one point wide on a fine grid: its area over log frequency is spread, not lost.
    x = np.linspace(np.log(100.0), np.log(10e3), 2001)
    power = np.zeros_like(x)
    power[1000] = 1.0
    result = smoothed(np.exp(x), power, fraction=6)
    step = x[1] - x[0]
    assert result[1000] == pytest.approx(step / (np.log(10.0) * 0.05), rel=1e-9)  # area over bandwidth, exact
    assert np.trapezoid(result, x) == pytest.approx(step, rel=1e-3)  # grid steps at the two band edges


def test_every_column_is_smoothed_by_itself():
    frequency = np.geomspace(100.0, 10e3, 40)
    columns = np.random.default_rng(1).uniform(0.0, 1.0, (40, 2, 3))
    result = smoothed(frequency, columns, fraction=2)
    np.testing.assert_allclose(result[:, 1, 2], smoothed(frequency, columns[:, 1, 2], fraction=2), rtol=1e-12)
    assert np.ptp(result[:, 1, 2]) < np.ptp(columns[:, 1, 2])


@pytest.mark.parametrize(
    ("frequency", "power", "fraction", "message"),
    [
        ([200.0, 100.0], [1.0, 1.0], 3, "strictly rising"),
        ([100.0, 200.0], [1.0], 3, "as long as the values"),
        ([100.0, 200.0], [1.0, np.nan], 3, "finite and not negative"),
        ([100.0, 200.0], [1.0, -1.0], 3, "finite and not negative"),
        ([100.0, 200.0], [1.0, 1.0], 0, "fraction = 0"),
    ],
)
def test_bad_input_is_refused(frequency, power, fraction, message):
    with pytest.raises(ValueError, match=message):
        smoothed(frequency, power, fraction=fraction)
