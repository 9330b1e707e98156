"""Speed of sound, density and absorption of air against published tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.air import Air, absorption, air_at, within_cramer

# Cramer's polynomial and the moist-air density as an independent acoustics library (pyfar 0.8) gives them, at
# 101.325 kPa and 425.19 ppm of carbon dioxide: Celsius, speed at 0, 50, 70 % humidity, density at 0, 50, 70 %.
DAYS = [
    (0, (331.4455, 331.6014, 331.6637), (1.292569, 1.291097, 1.290507)),
    (10, (337.4571, 337.7789, 337.9075), (1.246920, 1.244068, 1.242928)),
    (15, (340.4211, 340.8734, 341.0542), (1.225283, 1.221394, 1.219838)),
    (20, (343.3572, 343.9845, 344.2352), (1.204385, 1.199143, 1.197046)),
    (25, (346.2654, 347.1243, 347.4674), (1.184187, 1.177204, 1.174410)),
    (30, (349.1458, 350.3074, 350.7714), (1.164656, 1.155452, 1.151771)),
]


@pytest.mark.parametrize(("celsius", "speeds", "densities"), DAYS)
def test_speed_after_cramer_1993_and_density_of_moist_air(celsius, speeds, densities):
    for humidity, speed, density in zip((0.0, 0.5, 0.7), speeds, densities, strict=True):
        air = air_at(273.15 + celsius, humidity)
        assert air.speed_of_sound == pytest.approx(speed, abs=6e-5)  # the table's last digit
        assert air.density == pytest.approx(density, rel=1e-6)  # seven digits written, constants of five


def test_speed_at_the_carbon_dioxide_of_cramers_day():
    # 314 ppm, 20 C, 50 %: the same library.
    air = air_at(293.15, 0.5, carbon_dioxide=314e-6)
    assert air.speed_of_sound == pytest.approx(343.9944, abs=6e-5)  # the last digit


@pytest.mark.parametrize(
    ("celsius", "speed"), [(-10, 343.2 * (263.15 / 293.15) ** 0.5), (40, 343.2 * (313.15 / 293.15) ** 0.5)]
)
def test_speed_outside_cramers_range_after_iso_9613_1(celsius, speed):
    assert not within_cramer(273.15 + celsius)
    assert air_at(273.15 + celsius, 0.5).speed_of_sound == pytest.approx(speed, rel=1e-12)  # same formula, rounding


def test_the_two_formulas_meet_at_the_ends_of_the_range():
    # 0.5 % at 30 C and 70 %: humidity, which the simple formula leaves out (tables of both: 350.77 and 349.00 m/s).
    assert air_at(303.15, 0.7).speed_of_sound == pytest.approx(air_at(303.16, 0.7).speed_of_sound, rel=0.006)
    assert within_cramer(303.15)
    assert not within_cramer(303.15, pressure=60e3)


def test_default_air_is_that_of_20_celsius_by_the_simple_formula():
    assert Air() == Air(speed_of_sound=343.2, density=1.2041)
    assert Air().impedance == pytest.approx(413.247, abs=1e-3)  # rounding of the product written here


# ISO 9613-1:1993 table 1 at 101.325 kPa as transcribed by others: Celsius, per cent, midband exponent, dB/km.
PRINTED = [
    (20, 70, -9, 0.339),
    (20, 70, -8, 0.518),
    (20, 70, -7, 0.776),
    (20, 70, 0, 4.98),
    (10, 70, -9, 0.411),
    (10, 70, 0, 3.66),
    (10, 70, 6, 32.8),
    (20, 10, 6, 109.0),
    (20, 100, 6, 19.4),
    (15, 70, 0, 4.08),
]


@pytest.mark.parametrize(("celsius", "percent", "exponent", "printed"), PRINTED)
def test_absorption_after_iso_9613_1_table_1(celsius, percent, exponent, printed):
    # The table stands at exact midbands (its note 5), not at the nominal frequencies.
    value = 1000.0 * float(absorption(1000.0 * 10 ** (exponent / 10), 273.15 + celsius, humidity=percent / 100))
    assert float(f"{value:.3g}") == printed  # exact to the three digits printed


# The same equations computed in another program at 30 digits, dB/km at 63 Hz ... 20 kHz (exact midbands).
EXPONENTS = np.array([-12, -9, -6, -3, 0, 3, 6, 9, 10, 12, 13])
COMPUTED = {
    (20, 70): "0.0896923 0.339472 1.13237 2.79792 4.97781 9.01642 22.9112 76.6206 117.507 276.238 418.397",
    (10, 70): "0.121689 0.410950 1.04337 1.92786 3.65769 9.66395 32.7701 116.882 175.130 364.938 500.037",
    (20, 50): "0.122811 0.445347 1.31805 2.73346 4.66473 9.85524 29.4192 103.912 158.839 358.757 522.212",
}


@pytest.mark.parametrize(("celsius", "percent"), COMPUTED)
def test_absorption_equations_to_six_digits(celsius, percent):
    value = 1000.0 * absorption(1000.0 * 10.0 ** (EXPONENTS / 10), 273.15 + celsius, humidity=percent / 100)
    expected = [float(word) for word in COMPUTED[celsius, percent].split()]
    np.testing.assert_allclose(value, expected, rtol=6e-6)  # six digits written


def test_absorption_over_a_measuring_distance():
    # 4 m at 20 kHz, 20 C, 70 %: 1.673588 dB.
    value = 4.0 * absorption(1000.0 * 10**1.3, 293.15, humidity=0.7)
    assert value == pytest.approx(1.673588, abs=2e-6)  # 4 times a value of six digits


@settings(deadline=None, max_examples=50)
@given(st.floats(253.15, 323.15), st.floats(0.1, 1.0), st.floats(50.0, 10e3))
def test_absorption_rises_with_frequency_and_is_positive(temperature, humidity, frequency):
    low, high = absorption([frequency, 1.1 * frequency], temperature, humidity=humidity)
    assert 0.0 < low < high


@settings(deadline=None, max_examples=50)
@given(st.floats(273.15, 303.15), st.floats(0.0, 0.9))
def test_damp_air_is_lighter_and_faster(temperature, humidity):
    dry, damp = air_at(temperature, humidity), air_at(temperature, humidity + 0.1)
    assert damp.density < dry.density
    assert damp.speed_of_sound > dry.speed_of_sound


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((20.0, 0.5, {}), r"temperature = 20 K: must be 223.15 to 333.15 K"),
        ((293.15, 50.0, {}), r"humidity = 50: must be 0 to 1"),
        ((293.15, 0.5, {"pressure": 1013.0}), r"pressure = 1013 Pa: must be 10000 to 200000 Pa"),
        ((293.15, 0.5, {"carbon_dioxide": 425.0}), r"carbon_dioxide = 425: must be a mole fraction, 0 to 0.01"),
        ((293.15, float("nan"), {}), r"humidity = nan"),
    ],
)
def test_a_value_in_the_wrong_unit_is_refused(arguments, message):
    temperature, humidity, rest = arguments
    with pytest.raises(ValueError, match=message):
        air_at(temperature, humidity, **rest)


def test_negative_frequency_is_refused():
    with pytest.raises(ValueError, match="frequency = -1 Hz: must not be negative"):
        absorption([-1.0, 100.0], 293.15, humidity=0.5)
