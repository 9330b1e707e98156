"""In which units a text response stands: by its heading, or, where a range cannot be, asked for."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.files import InputError
from evenflare.units import DEGREE, REFERENCE_PRESSURE, FloatArray, amplitude_db

_FREQUENCY = re.compile(
    r"^\W*(?:units?\b\W*)?(?:f|fr?e?q\w*)?(?:\s+in\b)?[\s\W_]*(?P<unit>[kM]?hz|rad/s|rad\s*s\^?-1|cycles/s)(?![a-z])",
    re.IGNORECASE,
)
"""How a heading begins: perhaps "frequency", then its unit. Words such as "a tone of 1 kHz" do not."""
_LEVEL = re.compile(r"(?<![a-z])(dB\w*|linear|lin|ratio|pa|v)(?![a-z])", re.IGNORECASE)
_PHASE = re.compile(r"(?<![a-z])(radians?|rads?|degrees?|degs?)(?![a-z/])|°", re.IGNORECASE)

LEAST_HIGHEST = 200.0
"""Hz, below which the highest frequency of a file without a heading is rather one in kHz, and
MOST_HIGHEST, above which it is rather one in rad/s."""
MOST_HIGHEST = 100e3
AUDIBLE = 20.0
"""dB re 20 uPa: what is nowhere below 0 and nowhere above this is rather a ratio than a level."""
LEAST_TURNS = 3
"""Jumps by nearly 2 pi between values that never pass pi: a phase in radians."""
WRAP = 0.9


@dataclass(frozen=True)
class Units:
    """What a heading says; None where it says nothing. `line`: of it, from 1."""

    frequency: str | None = None
    level: str | None = None
    phase: str | None = None
    line: int = 0


def units_of(lines: Sequence[str]) -> Units:
    """By the last heading in the lines before the first numbers."""
    for number in range(len(lines), 0, -1):
        line = lines[number - 1].lstrip("#*;%!/\"' \t")
        begins = _FREQUENCY.match(line)
        if not begins:
            continue
        rest = line[begins.end() :]
        level, phase = _LEVEL.search(rest), _PHASE.search(rest)
        return Units(
            begins["unit"].lower().replace(" ", ""),
            None if level is None else level[1].lower(),
            None if phase is None else phase[0].lower(),
            number,
        )
    return Units()


def in_hertz(path: Path, values: FloatArray, units: Units) -> tuple[FloatArray, tuple[str, ...]]:
    """Values (F, 2 or 3) in Hz, dB and degrees, by the heading, and remarks on what was converted.

    Errors: InputError where the heading says that levels are no dB, and some are not above 0.
    """
    values = values.copy()
    remarks = []

    def said(what: str, unit: str) -> None:
        remarks.append(f"{path.name}: {what} in {unit}, by its heading in line {units.line}")

    scale = {"khz": 1e3, "mhz": 1e6}.get(units.frequency or "", 1.0)
    if units.frequency is not None and units.frequency.startswith("rad"):
        scale = 0.5 / np.pi
    if scale != 1.0:
        values[:, 0] *= scale
        said("frequencies", str(units.frequency).replace("hz", "Hz"))
    if units.level is not None and not units.level.startswith("db"):
        _check_linear(path, values, units)
        one = REFERENCE_PRESSURE if units.level == "pa" else 1.0
        values[:, 1] = amplitude_db(values[:, 1] / one)
        said("levels", {"pa": "Pa", "v": "V"}.get(units.level, "ratios"))
    if values.shape[1] == 3 and units.phase is not None and units.phase.startswith("rad"):
        values[:, 2] /= DEGREE
        said("phases", "radians")
    return values, tuple(remarks)


def _check_linear(path: Path, values: FloatArray, units: Units) -> None:
    bad = values[:, 1][~(values[:, 1] > 0.0)]
    if bad.size:
        raise InputError(
            f"{path}: a level of {bad[0]:g} {units.level}, as line {units.line} names it: must be above 0. Correct the"
            " heading or the values"
        )


def check_range(path: Path, values: FloatArray, units: Units, *, of_source: bool) -> None:
    """InputError where values (F, 2 or 3) cannot be Hz, dB and degrees, and no heading says what they are.

    of_source : levels are re 20 uPa of a source, which tells them from ratios; a microphone's own may be small.
    """
    highest = float(values[:, 0].max())
    remedy = 'Write a heading above the numbers, as "Hz dB degrees" or "kHz dB degrees"'
    if units.frequency is None and not LEAST_HIGHEST <= highest <= MOST_HIGHEST:
        unit = "kHz" if highest < LEAST_HIGHEST else "rad/s"
        raise InputError(
            f"{path}: frequencies from {values[:, 0].min():g} to {highest:g}, and nothing says in which unit: are they"
            f" {unit}? The highest in Hz must be {LEAST_HIGHEST:g} to {MOST_HIGHEST:g}. {remedy}"
        )
    level = values[:, 1]
    if of_source and units.level is None and level.size > 8 and level.min() > 0.0 and level.max() < AUDIBLE:
        raise InputError(
            f"{path}: levels from {level.min():g} to {level.max():g}, and nothing says in which unit: are they ratios,"
            ' not dB? Write a heading above the numbers, as "Hz dB" or "Hz linear"'
        )
    if values.shape[1] == 3 and units.phase is None:
        phase = values[:, 2]
        turns = int(np.count_nonzero(np.abs(np.diff(phase)) > WRAP * 2.0 * np.pi))
        whole = of_source and np.ptp(phase) > WRAP * 2.0 * np.pi  # a travel time turns through every angle
        if np.abs(phase).max() <= np.pi * 1.001 and (turns >= LEAST_TURNS or whole):
            raise InputError(
                f"{path}: phases from {phase.min():.3g} to {phase.max():.3g}, and nothing says in which unit: are they"
                ' radians? Write a heading above the numbers, as "Hz dB degrees" or "Hz dB radians"'
            )
