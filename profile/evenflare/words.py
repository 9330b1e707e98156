"""Numbers and names as people read them: on a page, in a message, in a file's header."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray

_UNITS = {"mm": "mm", "deg": "degrees", "db": "dB", "hz": "Hz", "m": "m", "mb": "MB", "s": "s"}
"""The last part of a name, and the unit that it stands for."""

NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""First digits of the nominal third-octave bands, from 1 on. Source: IEC 61260-1:2014, annex E (from memory)."""


def spoken(name: str) -> str:
    """`throat_reflection` as "throat reflection", `smoothness_angle` as "smoothness over angle"."""
    return name.replace("smoothness_", "smoothness over ").replace("_", " ")


def unit_apart(name: str) -> str:
    """`depth_mm` as "depth, mm"."""
    words, _, unit = name.rpartition("_")
    return f"{spoken(words)}, {_UNITS[unit]}" if unit in _UNITS and words else spoken(name)


def signed(value: float) -> str:
    """Two decimals with a sign."""
    return "0.00" if abs(value) < 0.005 else f"{value:+.2f}".replace("-", "−")


KILO = 999.5
"""Hz, from where three digits are a kilohertz."""


def hertz(frequency: float) -> str:
    """Three digits, Hz or kHz."""
    return f"{frequency / 1e3:.3g} kHz" if frequency >= KILO else f"{frequency:.3g} Hz"


def band_name(midband: float) -> str:
    """The nominal name of a third of an octave by its exact midband: 200 Hz for 199.5 Hz."""
    decade, place = divmod(round(10.0 * np.log10(midband)), 10)
    return hertz(NOMINAL[place] * 10.0**decade)


def millimetres(length: float, decimals: int = 2) -> str:
    """A length in m as "12.70 mm"."""
    return f"{length / MILLIMETRE:.{decimals}f} mm"


def mm(length: float, digits: int = 4) -> str:
    """A length in m as millimetres of so many digits, without the unit: "12.7"."""
    return f"{length / MILLIMETRE:.{digits}g}"


def at_least_mm(length: float) -> str:
    """A length in m in tenths of a millimetre, rounded up: what a message asks for must do."""
    return f"{math.ceil(length / (0.1 * MILLIMETRE) - 1e-6) / 10:g}"


def at_most_mm(length: float) -> str:
    """The same, rounded down."""
    return f"{math.floor(length / (0.1 * MILLIMETRE) + 1e-6) / 10:g}"


def rounded_mm(length: float, decimals: int) -> float:
    """A length in m as a number of millimetres with so many decimals, never -0.0."""
    return round(length / MILLIMETRE, decimals) + 0.0


def fixed_mm(length: float, decimals: int) -> str:
    """`rounded_mm` as text, its trailing zeros kept: a cell of a table."""
    return f"{rounded_mm(length, decimals):.{decimals}f}"


def span(values: FloatArray, *, digits: int) -> str:
    """The least and the greatest of the values that are numbers, once if they read alike; empty if none is."""
    known = values[np.isfinite(values)]
    return " to ".join(dict.fromkeys(f"{each:.{digits}f}" for each in (known.min(), known.max()))) if known.size else ""


def plainly(value: Any) -> str:
    """Any plain value in words: four digits of a number, the items of a mapping or a list behind commas."""
    if isinstance(value, Mapping):
        return ", ".join(f"{unit_apart(str(key))} {plainly(each)}" for key, each in value.items())
    if isinstance(value, np.ndarray | list | tuple):
        return ", ".join(plainly(each) for each in value)
    if isinstance(value, float | np.floating):
        return np.format_float_positional(value, precision=4, fractional=False, trim="-")
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else str(value)


def duration(seconds: float) -> str:
    """A time to wait, in words."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s" if minutes else f"{rest} s"
