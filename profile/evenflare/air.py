"""The air between throat and listener."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from evenflare.units import CELSIUS_ZERO, FloatArray

STANDARD_PRESSURE = 101325.0
"""Pa, the reference pressure of ISO 9613-1:1993."""
REFERENCE_TEMPERATURE = 293.15
"""K, the reference temperature of ISO 9613-1:1993."""
TRIPLE_POINT = 273.16
"""K, of water."""
CARBON_DIOXIDE = 425.19e-6
"""Mole fraction in outdoor air, about that of 2024; 1e-4 more slows sound by 0.009 m/s."""

# Cramer (1993), table III: speed of sound against t (Celsius), p (Pa), mole fractions of water and carbon dioxide.
CRAMER = (
    (331.5024, 0.603055, -0.000528),  # 1, t, t^2
    (51.471935, 0.1495874, -0.000782),  # the same, times water
    (-1.82e-7, 3.73e-8, -2.93e-10),  # times pressure
    (-85.20931, -0.228525, 5.91e-5),  # times carbon dioxide
)
CRAMER_SECOND_ORDER = (-2.835149, -2.15e-13, 29.179762, 0.000486)  # water^2, pressure^2, dioxide^2, all three


@dataclass(frozen=True)
class Air:
    """Still air.

    speed_of_sound : m/s.
    density        : kg/m3.
    """

    speed_of_sound: float = 343.2
    density: float = 1.2041

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
    """Air of a day: speed of sound by Cramer's polynomial where `within_cramer`, else 343.2 sqrt(T / 293.15 K).

    temperature    : K, 223.15 to 333.15.
    humidity       : relative, 0 to 1. The simple formula leaves it out: up to 0.6 % of speed in warm damp air.
    pressure       : Pa, 1e4 to 2e5.
    carbon_dioxide : mole fraction, 0 to 0.01.
    Density is that of moist air over the Magnus saturation pressure. ValueError outside the ranges.
    Source: O. Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. 15 and table III, stated uncertainty below 300 ppm
    (coefficients from memory, confirmed on 18 check values); ISO 9613-1:1993 for the simple formula.
    """
    _check(temperature, humidity, pressure)
    if not 0.0 <= carbon_dioxide <= 0.01:
        raise ValueError(f"carbon_dioxide = {carbon_dioxide:g}: must be a mole fraction, 0 to 0.01")
    if within_cramer(temperature, pressure=pressure):
        speed = _cramer(temperature, humidity, pressure=pressure, carbon_dioxide=carbon_dioxide)
    else:
        speed = 343.2 * float(np.sqrt(temperature / REFERENCE_TEMPERATURE))
    return Air(speed, _density(temperature, humidity, pressure))


def within_cramer(temperature: float, *, pressure: float = STANDARD_PRESSURE) -> bool:
    """Whether Cramer's polynomial holds: 0 to 30 Celsius and 75 to 102 kPa. K, Pa.

    Its bound on water, a mole fraction of 0.06, is not reached even by saturated air at 30 Celsius and 75 kPa.
    Source: Cramer (1993), section IV (from memory).
    """
    celsius = temperature - CELSIUS_ZERO
    # A rounding's width, so that 0 and 30 Celsius as typed are inside.
    return bool(-1e-9 <= celsius <= 30.0 + 1e-9 and 75e3 <= pressure <= 102e3)


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


def _water(temperature: float, humidity: float, pressure: float) -> float:
    """Mole fraction of water vapour. Source: Cramer (1993), appendix; Davis (1992) for both factors."""
    celsius = temperature - CELSIUS_ZERO
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * celsius**2
    saturation = np.exp(
        1.2811805e-5 * temperature**2 - 1.9509874e-2 * temperature + 34.04926034 - 6.3536311e3 / temperature
    )
    return float(humidity * enhancement * saturation / pressure)


def _cramer(temperature: float, humidity: float, *, pressure: float, carbon_dioxide: float) -> float:
    """m/s. Source: Cramer (1993), eq. 15."""
    celsius = temperature - CELSIUS_ZERO
    water = _water(temperature, humidity, pressure)
    factors = (1.0, water, pressure, carbon_dioxide)
    linear = sum(x * (a + b * celsius + c * celsius**2) for x, (a, b, c) in zip(factors, CRAMER, strict=True))
    products = (water**2, pressure**2, carbon_dioxide**2, water * pressure * carbon_dioxide)
    return float(linear + sum(x * a for x, a in zip(products, CRAMER_SECOND_ORDER, strict=True)))


def _density(temperature: float, humidity: float, pressure: float) -> float:
    """kg/m3 of moist air. Source: ideal gases, 28.97 g/mol dry; Magnus formula of Alduchov and Eskridge (1996)."""
    celsius = temperature - CELSIUS_ZERO
    vapour = humidity * 610.94 * np.exp(17.625 * celsius / (celsius + 243.04)) / pressure
    mixing = vapour / (1.6077 * (1.0 - vapour))
    dry = pressure / (8.314 / 0.02897 * temperature)
    return float(dry * (1.0 + mixing) / (1.0 + 1.6077 * mixing))
