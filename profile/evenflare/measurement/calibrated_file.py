"""A calibration as a file that design and target files name, and read back in short."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.design.driver import CALIBRATED
from evenflare.design.keys import driver_keys
from evenflare.files import InputError
from evenflare.measurement.calibration import Calibration, CalibrationFigures, Fitted
from evenflare.measurement.unknowns import IMPEDANCE, MEANS, WIDTHS, left_out
from evenflare.schema import parsed
from evenflare.text import Line, added, toml
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Driver, Source, Waveguide

FILE = "calibrated.toml"
ABOUT = (
    "What a model cannot know of a prototype, fitted to a measurement of it. A design or target file takes [driver]",
    'over with   [driver] calibrated = "calibrated.toml"   (a path from that file\'s folder), beside exit_diameter_mm,',
    "instead of exit_half_angle_deg and velocity_profile. Air and profile error were those of the day and of this",
    "prototype: they stand here for the record and are not taken over. From low to high: the interval of 95 %.",
    "Learned: 0, the measurement says nothing, to 1. Deviations: measured less predicted, each re its own on axis.",
)
DIGITS = 6
_FIGURES = ("bias_db", "rms_db", "worst_db", "worst_at_hz", "worst_azimuth_deg", "worst_off_axis_deg", "cells")


@dataclass(frozen=True)
class Origin:
    """Where a calibration comes from, in words and names. wall : of the inspected part, empty for the drawn one."""

    design: str
    design_id: str
    name: str
    measured: str
    measured_name: str
    method: str
    setting: str
    wall: str = ""


def calibrated_driver(calibration: Calibration) -> Driver:
    """The driver that other designs may take over: how its exit moves, and its source where that was fitted."""
    driver = calibration.waveguide.driver
    if driver.velocity_profile is not None:
        profile = tuple((round(share, DIGITS), round(velocity, DIGITS)) for share, velocity in driver.velocity_profile)
        driver = replace(driver, velocity_profile=profile)
    known = {each.unknown.name for each in calibration.fitted}
    return driver if IMPEDANCE in known else replace(driver, source=Source())


def calibrated_toml(calibration: Calibration, origin: Origin, drawn: Waveguide) -> str:
    """The text of `calibrated.toml`. drawn : the waveguide before it was calibrated."""
    observation = calibration.measured.observation
    origins = {
        "design": origin.design,
        "design_id": origin.design_id,
        "measured": origin.measured,
        "measured_name": origin.measured_name,
        "method": origin.method,
        "setting": origin.setting,
        "wall": origin.wall or None,
        "from_hz": float(observation.frequency[0]),
        "to_hz": float(observation.frequency[-1]),
        "frequencies": int(observation.frequency.size),
        "held_out_deg": _rounded(observation.off_axis[calibration.held_out] / DEGREE, 3),
        "noise_db": _digits(calibration.noise),
        "alike": _digits(calibration.variance_inflation),
    }
    return toml(
        *ABOUT,
        ("name", added(origin.name, ", calibrated")),
        ("driver", driver_keys(calibrated_driver(calibration))),
        ("of", origins),
        ("fitted", tuple((each.unknown.name, _fitted(each)) for each in calibration.fitted)),
        ("not_fitted", dict(left_out(drawn))),
        ("correlation", {"names": names(calibration), "matrix": _matrix(calibration.correlation)}),
        ("deviation", {key: _plain(figures) for key, figures in deviations(calibration).items()}),
    )


def _fitted(found: Fitted) -> tuple[Line, ...]:
    unknown = found.unknown
    return (
        MEANS[unknown.name],
        f"expected within {WIDTHS[unknown.name]}",
        ("value", _digits(found.value)),
        ("standard_error", _digits(found.standard_error)),
        ("low", _digits(found.low)),
        ("high", _digits(found.high)),
        ("stated", _digits(unknown.start)),
        ("expected_within", _digits(unknown.width)),
        ("learned", _digits(found.learned)),
    )


def names(calibration: Calibration) -> list[str]:
    """Of the unknowns that were fitted."""
    return [each.unknown.name for each in calibration.fitted]


def deviations(calibration: Calibration) -> dict[str, CalibrationFigures]:
    """How far the measurement is from the model, before and after, on fitted angles and on those held out."""
    both = {"before": calibration.before, "after": calibration.after}
    return {
        f"{angles}_{when}": calibration.figures(predicted, held_out=angles == "held_out")
        for angles in ("fitted_angles", "held_out")
        for when, predicted in both.items()
    }


@dataclass(frozen=True)
class Known:
    """A calibration read back in short: values by name, and its rms deviations in dB."""

    values: Mapping[str, float]
    rms: Mapping[str, float]


def read_known(file: Path) -> Known:
    """What a calibrated file found. InputError if it is missing or another file."""
    data = parsed(file, minimal=CALIBRATED)
    try:
        values = {name: float(table["value"]) for name, table in data["fitted"].items()}
        rms = {name: float(table["rms_db"]) for name, table in data["deviation"].items()}
    except (KeyError, TypeError, AttributeError, ValueError):
        raise InputError(
            f"{file}: is no calibrated driver, [fitted] or [deviation] are not whole. Name the {FILE} that evenflare"
            " calibrate has written"
        ) from None
    return Known(values, rms)


def _plain(figures: CalibrationFigures) -> dict[str, Any]:
    values = (figures.bias, figures.rms, figures.worst, figures.frequency)
    angles = (figures.azimuth / DEGREE, figures.off_axis / DEGREE)
    return dict(
        zip(_FIGURES, (*map(_digits, values), *(round(each, 3) for each in angles), figures.cells), strict=True)
    )


def _digits(value: float) -> float:
    """Six digits."""
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else value


def _rounded(values: FloatArray, decimals: int) -> list[float]:
    return [float(each) for each in np.round(values, decimals)]


def _matrix(rows: Sequence[FloatArray] | FloatArray) -> list[list[float]]:
    return [_rounded(np.asarray(row), 3) for row in rows]
