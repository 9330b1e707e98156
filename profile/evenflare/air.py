"""The air between throat and listener."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from evenflare.units import CELSIUS_ZERO, KILOPASCAL, FloatArray

STANDARD_PRESSURE = 101325.0
"""Pa, the reference pressure of ISO 9613-1:1993."""
REFERENCE_TEMPERATURE = 293.15
"""K, the reference temperature of ISO 9613-1:1993."""
TRIPLE_POINT = 273.16
"""K, of water."""
CARBON_DIOXIDE = 425.19e-6
"""Mole fraction in outdoor air, about that of 2024; 1e-4 more slows sound by 0.009 m/s."""

CRAMER_TEMPERATURE = (CELSIUS_ZERO, CELSIUS_ZERO + 30.0)
"""K, for which Cramer (1993) gives the polynomial; section IV, from memory."""
CRAMER_PRESSURE = (75.0 * KILOPASCAL, 102.0 * KILOPASCAL)
CRAMER_WATER = 0.06
"""Mole fraction, up to which it is given; saturated air at 30 Celsius and 75 kPa has 0.057."""

# Cramer (1993), table III: speed of sound against t (Celsius), p (Pa), mole fractions of water and carbon dioxide.
CRAMER = (
    (331.5024, 0.603055, -0.000528),  # 1, t, t^2
    (51.471935, 0.1495874, -0.000782),  # the same, times water
    (-1.82e-7, 3.73e-8, -2.93e-10),  # times pressure
    (-85.20931, -0.228525, 5.91e-5),  # times carbon dioxide
)
CRAMER_SECOND_ORDER = (-2.835149, -2.15e-13, 29.179762, 0.000486)  # water^2, pressure^2, dioxide^2, all three

# g/mol, degrees of freedom of the rigid molecule, and K of each vibration. Sources: CIPM-2007 for the shares of dry air
# (the rest is carbon dioxide) and the masses; Herzberg (1945), Infrared and Raman Spectra, and for oxygen and nitrogen
# ISO 9613-1:1993, for the vibrations (all from memory).
Gas = tuple[float, int, tuple[float, ...]]
DRY_AIR: tuple[tuple[float, Gas], ...] = (
    (0.78112, (28.0134, 5, (3352.0,))),  # nitrogen
    (0.20954, (31.9988, 5, (2239.1,))),  # oxygen
    (0.00934, (39.948, 3, ())),  # argon
)
WATER: Gas = (18.01528, 6, (2294.0, 5255.0, 5401.0))
DIOXIDE: Gas = (44.0095, 5, (960.0, 960.0, 1997.0, 3380.0))


@dataclass(frozen=True)
class Air:
    """Still air.

    speed_of_sound : m/s.
    density        : kg/m3.
    remark         : what its user should know of how exactly it was found, in words; empty where there is nothing.
    """

    speed_of_sound: float = 343.2
    density: float = 1.2041
    remark: str = field(default="", compare=False)

    @property
    def impedance(self) -> float:
        """Pa s/m, of a plane wave."""
        return self.density * self.speed_of_sound


def air_at(
    temperature: float,
    humidity: float,
    *,
    pressure: float = STANDARD_PRESSURE,
    carbon_dioxide: float = CARBON_DIOXIDE,
) -> Air:
    """Air of a day: speed of sound by Cramer's polynomial and, beyond its range, as ideal gases go on from its edge.

    temperature    : K, 223.15 to 333.15.
    humidity       : relative, 0 to 1, over liquid water.
    pressure       : Pa, 1e4 to 2e5.
    carbon_dioxide : mole fraction, 0 to 0.01.
    Where `within_cramer` the stated uncertainty is 300 ppm. Beyond it the polynomial's value at the nearest state of
    its range is multiplied by the ratio of both states' speeds in a mixture of ideal gases, so that nothing jumps, and
    `remark` says so: from -20 to 50 Celsius and 60 to 110 kPa dry air is within 200 ppm of the equation of state of
    Lemmon et al. (2000); very damp air about 0.1 %, as the forces between molecules of water are left out.
    Density is that of moist air over the Magnus saturation pressure. ValueError outside the ranges.
    Sources: O. Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. 15 and table III (coefficients from memory, confirmed on
    18 check values); Morse and Ingard, Theoretical Acoustics (1968), section 6.1, for ideal gases.
    """
    _check(temperature, humidity, pressure)
    if not 0.0 <= carbon_dioxide <= 0.01:
        raise ValueError(f"carbon_dioxide = {carbon_dioxide:g}: must be a mole fraction, 0 to 0.01")
    water = _water(temperature, humidity, pressure)
    near = float(np.clip(temperature, *CRAMER_TEMPERATURE)), min(water, CRAMER_WATER)
    speed = _cramer(*near, pressure=float(np.clip(pressure, *CRAMER_PRESSURE)), carbon_dioxide=carbon_dioxide)
    if near != (temperature, water):
        speed *= _ideal(temperature, water, carbon_dioxide) / _ideal(*near, carbon_dioxide)
    remark = "" if within_cramer(temperature, pressure=pressure) else _beyond(temperature, pressure)
    return Air(speed, _density(temperature, humidity, pressure), remark)


def within_cramer(temperature: float, *, pressure: float = STANDARD_PRESSURE) -> bool:
    """Whether Cramer's polynomial holds: 0 to 30 Celsius and 75 to 102 kPa. K, Pa.

    Its bound on water, a mole fraction of 0.06, is not reached even by saturated air at 30 Celsius and 75 kPa.
    Source: Cramer (1993), section IV (from memory).
    """
    # A rounding's width, so that 0 and 30 Celsius as typed are inside.
    low, high = CRAMER_TEMPERATURE
    return bool(low - 1e-9 <= temperature <= high + 1e-9 and CRAMER_PRESSURE[0] <= pressure <= CRAMER_PRESSURE[1])


def _beyond(temperature: float, pressure: float) -> str:
    """What is to be said of a state outside Cramer's range."""
    return (
        f"speed of sound: {temperature - CELSIUS_ZERO:g} Celsius at {pressure / KILOPASCAL:g} kPa lies outside 0 to 30"
        " Celsius and 75 to 102 kPa, where the formula (Cramer 1993) holds to 0.03 %. It is carried on as ideal gases"
        " do, to about 0.1 %"
    )


def absorption(
    frequency: ArrayLike, temperature: float, *, humidity: float, pressure: float = STANDARD_PRESSURE
) -> FloatArray:
    """Atmospheric absorption of a pure tone, dB/m, shaped as `frequency`.

    frequency   : Hz, >= 0.
    temperature : K, 223.15 to 333.15. The standard claims 10 % from 253.15 to 323.15 K.
    humidity    : relative, 0 to 1.
    pressure    : Pa, 1e4 to 2e5.
    ValueError outside the ranges. Source: ISO 9613-1:1993, eq. 3 to 5, B.1 to B.3 (numbers from memory).
    """
    _check(temperature, humidity, pressure)
    f = np.asarray(frequency, dtype=np.float64)
    if np.any(f < 0.0):
        raise ValueError(f"frequency = {f.min():g} Hz: must not be negative")
    warmth = temperature / REFERENCE_TEMPERATURE
    weight = pressure / STANDARD_PRESSURE
    saturation = 10.0 ** (-6.8346 * (TRIPLE_POINT / temperature) ** 1.261 + 4.6151)  # B.2, B.3
    water = 100.0 * humidity * saturation / weight  # B.1: molar concentration, per cent
    oxygen = weight * (24.0 + 4.04e4 * water * (0.02 + water) / (0.391 + water))  # eq. 3, Hz
    nitrogen = weight * warmth**-0.5 * (9.0 + 280.0 * water * np.exp(-4.170 * (warmth ** (-1.0 / 3.0) - 1.0)))  # eq. 4
    classical = 1.84e-11 / weight * warmth**0.5
    relaxing = 0.01275 * np.exp(-2239.1 / temperature) / (oxygen + f**2 / oxygen)
    relaxing = relaxing + 0.1068 * np.exp(-3352.0 / temperature) / (nitrogen + f**2 / nitrogen)
    return np.asarray(8.686 * f**2 * (classical + warmth**-2.5 * relaxing))  # eq. 5


def _check(temperature: float, humidity: float, pressure: float) -> None:
    """ValueError unless the state is one a workshop or a field can have: catches degrees, per cent and hectopascals."""
    for name, value, low, high in (
        ("temperature", temperature, 223.15, 333.15),
        ("humidity", humidity, 0.0, 1.0),
        ("pressure", pressure, 1e4, 2e5),
    ):
        if not low <= value <= high:
            unit = {"temperature": " K", "humidity": "", "pressure": " Pa"}[name]
            raise ValueError(f"{name} = {value:g}{unit}: must be {low:g} to {high:g}{unit}")
    if _vapour(temperature, humidity) >= pressure:
        raise ValueError(f"humidity = {humidity:g}: water boils at {temperature:g} K and {pressure:g} Pa. Lower it")


def _vapour(temperature: float, humidity: float) -> float:
    """Pressure of water vapour, Pa. Source: Magnus formula of Alduchov and Eskridge (1996)."""
    celsius = temperature - CELSIUS_ZERO
    return float(humidity * 610.94 * np.exp(17.625 * celsius / (celsius + 243.04)))


def _water(temperature: float, humidity: float, pressure: float) -> float:
    """Mole fraction of water vapour. Source: Cramer (1993), appendix; Davis (1992) for both factors."""
    celsius = temperature - CELSIUS_ZERO
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * celsius**2
    saturation = np.exp(
        1.2811805e-5 * temperature**2 - 1.9509874e-2 * temperature + 34.04926034 - 6.3536311e3 / temperature
    )
    return float(humidity * enhancement * saturation / pressure)


def _cramer(temperature: float, water: float, *, pressure: float, carbon_dioxide: float) -> float:
    """m/s, water as mole fraction. Source: Cramer (1993), eq. 15."""
    celsius = temperature - CELSIUS_ZERO
    factors = (1.0, water, pressure, carbon_dioxide)
    linear = sum(x * (a + b * celsius + c * celsius**2) for x, (a, b, c) in zip(factors, CRAMER, strict=True))
    products = (water**2, pressure**2, carbon_dioxide**2, water * pressure * carbon_dioxide)
    return float(linear + sum(x * a for x, a in zip(products, CRAMER_SECOND_ORDER, strict=True)))


def _ideal(temperature: float, water: float, carbon_dioxide: float) -> float:
    """Speed of sound over the root of the gas constant, in a mixture of ideal gases; mole fractions.

    sqrt(gamma T / M), gamma = C / (C - 1), C the heat at constant pressure over the gas constant: 1 + half the degrees
    of freedom + Einstein's function of each vibration.
    """
    dry = 1.0 - water - carbon_dioxide
    parts = [(dry * share, gas) for share, gas in DRY_AIR] + [(water, WATER), (carbon_dioxide, DIOXIDE)]
    heat = mass = 0.0
    for share, (molar, freedom, vibrations) in parts:
        half = 0.5 * np.array(vibrations) / temperature
        heat += share * (1.0 + 0.5 * freedom + float(np.sum((half / np.sinh(half)) ** 2)))
        mass += share * molar
    return float(np.sqrt(heat / (heat - 1.0) * temperature / mass))


def _density(temperature: float, humidity: float, pressure: float) -> float:
    """kg/m3 of moist air. Source: ideal gases, 28.97 g/mol dry."""
    vapour = _vapour(temperature, humidity) / pressure
    mixing = vapour / (1.6077 * (1.0 - vapour))
    dry = pressure / (8.314 / 0.02897 * temperature)
    return float(dry * (1.0 + mixing) / (1.0 + 1.6077 * mixing))
