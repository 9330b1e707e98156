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


# Dry air by the equation of state of Lemmon, Jacobsen, Penoncello and Friend, J. Phys. Chem. Ref. Data 29 (2000) 331,
# as a general library of fluid properties (CoolProp 8.0) gives it: Celsius, m/s at 60, 101.325 and 110 kPa.
REAL_DRY_AIR = [
    (-20, (319.0599, 319.0642, 319.0652)),
    (-10, (325.2997, 325.3149, 325.3182)),
    (0, (331.4163, 331.4409, 331.4461)),
    (10, (337.4158, 337.4486, 337.4556)),
    (20, (343.3037, 343.3439, 343.3524)),
    (30, (349.0853, 349.1319, 349.1417)),
    (40, (354.7650, 354.8174, 354.8284)),
    (50, (360.3473, 360.4047, 360.4168)),
]


@pytest.mark.parametrize(("celsius", "speeds"), REAL_DRY_AIR)
def test_speed_in_dry_air_follows_an_equation_of_state_far_beyond_cramers_range(celsius, speeds):
    for pressure, speed in zip((60e3, 101.325e3, 110e3), speeds, strict=True):
        # Cramer's own stated uncertainty; the greatest difference is 195 ppm.
        assert air_at(273.15 + celsius, 0.0, pressure=pressure).speed_of_sound == pytest.approx(speed, rel=3e-4)


@pytest.mark.parametrize("celsius", [-20.0, -10.0, 40.0, 50.0])
def test_speed_in_dry_air_beyond_cramers_range_is_near_the_law_of_iso_9613_1(celsius):
    # That law takes the heat of air as constant and its molecules as without forces: 0.06 % at -20 Celsius.
    law = 343.2 * np.sqrt((273.15 + celsius) / 293.15)
    assert air_at(273.15 + celsius, 0.0).speed_of_sound == pytest.approx(law, rel=1e-3)


@pytest.mark.parametrize(
    ("celsius", "humidity", "pressure"), [(40, 1.0, 101325.0), (50, 0.5, 101325.0), (50, 1.0, 101325.0), (50, 1.0, 6e4)]
)
def test_speed_in_hot_damp_air_is_that_of_a_mixture_of_ideal_gases(celsius, humidity, pressure):
    """Dry air of 28.965 g/mol with gamma 1.4, steam of 18.015 with C = 4.03 (33.5 J/mol/K): textbook values, memory."""
    # Saturation: IAPWS steam tables, 7.385 kPa at 40 and 12.352 at 50 Celsius, to four digits.
    steam = humidity * {40: 7.385e3, 50: 12.352e3}[celsius] / pressure
    heat = (1.0 - steam) * 3.5 + steam * 4.03
    mass = (1.0 - steam) * 28.965e-3 + steam * 18.015e-3
    ideal = np.sqrt(heat / (heat - 1.0) * 8.314463 * (273.15 + celsius) / mass)
    # Constant heats 0.04 %, no forces between molecules 0.03 %, enhancement of saturation 0.05 % of speed at 60 kPa.
    assert air_at(273.15 + celsius, humidity, pressure=pressure).speed_of_sound == pytest.approx(ideal, rel=1.5e-3)


@settings(deadline=None, max_examples=300)
@given(
    st.floats(-20.0, 50.0) | st.sampled_from([0.0, 30.0]),
    st.floats(0.0, 1.0),
    st.floats(60e3, 110e3) | st.sampled_from([75e3, 102e3]),
    st.sampled_from([-1.0, 1.0]),
    st.sampled_from([-1.0, 1.0]),
)
def test_air_changes_without_a_jump(celsius, humidity, pressure, warmer, higher):
    step, frequency = 1e-3, np.array([100.0, 1e3, 1e4, 2e4])
    states = [
        (273.15 + celsius, humidity, pressure),
        (273.15 + np.clip(celsius + warmer * step, -20.0, 50.0), humidity, pressure),
        (273.15 + celsius, humidity, np.clip(pressure + higher, 60e3, 110e3)),
    ]
    here, warm, high = (air_at(t, h, pressure=p) for t, h, p in states)
    # 0.6 m/s a kelvin in dry air; in saturated air at 50 Celsius and 60 kPa steam adds as much again.
    assert abs(warm.speed_of_sound - here.speed_of_sound) <= 1.6 * step
    assert abs(warm.density - here.density) <= 0.01 * step  # a 250th of 1.4 kg/m3 a kelvin, as much again by steam
    # Pascal by pascal: steam's share of saturated air at 50 Celsius falls by 1/p of itself, up to 13 m/s in 60 kPa.
    assert abs(high.speed_of_sound - here.speed_of_sound) <= 3e-4
    assert abs(high.density - here.density) <= 2e-5  # 1/(R T), at most 1.4e-5 kg/m3
    heard = [absorption(frequency, t, humidity=h, pressure=p) for t, h, p in states]
    for other in heard[1:]:
        # Steam's share and with it both relaxations move by up to 8 % a kelvin, and their loss by up to three times it.
        np.testing.assert_allclose(other, heard[0], rtol=0.25 * step)


@settings(deadline=None, max_examples=100)
@given(st.floats(0.0, 30.0), st.floats(0.0, 1.0), st.floats(75e3, 102e3))
def test_nothing_is_remarked_inside_cramers_range(celsius, humidity, pressure):
    assert air_at(273.15 + celsius, humidity, pressure=pressure).remark == ""


@pytest.mark.parametrize(("celsius", "pressure"), [(-0.1, 101325.0), (30.1, 101325.0), (20.0, 74.9e3), (20.0, 102.1e3)])
def test_a_state_outside_cramers_range_is_remarked(celsius, pressure):
    assert not within_cramer(273.15 + celsius, pressure=pressure)
    remark = air_at(273.15 + celsius, 0.5, pressure=pressure).remark
    assert f"{celsius:g} Celsius at {pressure / 1e3:g} kPa lies outside 0 to 30 Celsius and 75 to 102 kPa" in remark


def cipm_2007(celsius, humidity, pressure):
    """Density of moist air, kg/m3, 400 ppm of carbon dioxide. Picard et al., Metrologia 45 (2008) 149 (from memory)."""
    t, warmth = celsius, celsius + 273.15
    saturated = np.exp(1.2378847e-5 * warmth**2 - 1.9121316e-2 * warmth + 33.93711047 - 6.3431645e3 / warmth)
    water = humidity * (1.00062 + 3.14e-8 * pressure + 5.6e-7 * t**2) * saturated / pressure
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    first += (5.707e-6 - 2.051e-8 * t) * water + (1.9898e-4 - 2.376e-6 * t) * water**2
    z = 1.0 - pressure / warmth * first + (pressure / warmth) ** 2 * (1.83e-11 - 0.765e-8 * water**2)
    return pressure * 28.96546e-3 / (z * 8.314472 * warmth) * (1.0 - 0.3780 * water)


@settings(deadline=None, max_examples=100)
@given(st.floats(-20.0, 50.0), st.floats(0.0, 1.0), st.floats(60e3, 110e3))
def test_density_follows_the_formula_of_the_metrologists_over_the_whole_range(celsius, humidity, pressure):
    # Theirs is for 15 to 27 Celsius and has the forces between molecules: 0.1 % at -20 and in steam at 50 Celsius.
    expected = cipm_2007(celsius, humidity, pressure)
    assert air_at(273.15 + celsius, humidity, pressure=pressure).density == pytest.approx(expected, rel=1.5e-3)


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
        ((333.15, 1.0, {"pressure": 1e4}), r"humidity = 1: water boils at 333.15 K and 10000 Pa. Lower it"),
    ],
)
def test_a_value_in_the_wrong_unit_is_refused(arguments, message):
    temperature, humidity, rest = arguments
    with pytest.raises(ValueError, match=message):
        air_at(temperature, humidity, **rest)


def test_negative_frequency_is_refused():
    with pytest.raises(ValueError, match="frequency = -1 Hz: must not be negative"):
        absorption([-1.0, 100.0], 293.15, humidity=0.5)
