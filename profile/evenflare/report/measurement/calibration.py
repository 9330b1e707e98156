"""A calibration in words, pictures and on its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.measurement.calibrated_file import deviations
from evenflare.measurement.calibration import Calibration, CalibrationFigures, Fitted
from evenflare.measurement.residual_shape import shapes_of
from evenflare.measurement.unknowns import MEANS, WIDTHS, left_out
from evenflare.report.kit import canvas, sheet, style
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import hertz, signed

NAMES = {
    "exit_half_angle_deg": ("exit half-angle", "degrees", 2),
    "throat_taper": ("throat taper", "", 3),
    "speed_of_sound_m_per_s": ("speed of sound", "m/s", 2),
    "profile_growth_mm": ("profile growth", "mm", 3),
    "profile_bow_mm": ("profile bow", "mm", 3),
    "source_impedance_factor_db": ("source impedance", "dB", 2),
    "source_gain_db": ("source gain", "dB", 2),
}
"""Of each unknown: what it is called, its unit, and decimals."""
ANGLES = {"fitted_angles": "fitted angles", "held_out": "held-out angles"}
LITTLE = 0.1
"""Learned of an unknown, below which the measurement says next to nothing about it."""
TANGLED = 0.95
"""Correlation of two unknowns, above which only both together are known."""


def number(value: float, decimals: int) -> str:
    """With a true minus."""
    return f"{value:.{decimals}f}".replace("-", "−")


def fitted_words(each: Fitted) -> str:
    """One unknown: its value, its interval, and what was stated."""
    name, unit, decimals = NAMES[each.unknown.name]
    low, high, stated = (number(value, decimals) for value in (each.low, each.high, each.unknown.start))
    nothing = "; the measurement says next to nothing about it" if each.learned < LITTLE else ""
    value = f"{number(each.value, decimals)} {unit}".strip()
    return f"{name} {value} (95 %: {low} to {high}; stated {stated}){nothing}"


def deviation_words(calibration: Calibration) -> list[str]:
    """By how much the deviation shrank, on either set of angles."""
    found = deviations(calibration)
    return [
        f"Deviation on {words}: {found[f'{key}_before'].rms:.3f} dB rms before, {found[f'{key}_after'].rms:.3f} after"
        for key, words in ANGLES.items()
    ]


def caution_lines(calibration: Calibration) -> list[str]:
    """What a user must see first."""
    found = []
    if not calibration.helps:
        before, after = (calibration.figures(p, held_out=True).rms for p in (calibration.before, calibration.after))
        found.append(
            f"on the angles that the fit did not see the deviation grew, from {before:.3f} to {after:.3f} dB rms: do"
            " not use this calibration. Look for a wrong angle, a reflection or another mounting first"
        )
    if not calibration.explains:
        after = calibration.figures(calibration.after, held_out=True).rms
        hints = [each.words for each in shapes_of(calibration)] or [
            "what is left has no shape that is known here: look at deviation_over_angle.png for the wrong file, angle"
            " or design"
        ]
        found.append(
            f"the model does not explain the measurement: {after:.1f} dB rms are left on the angles that the fit did"
            f" not see, and no value of an unknown helps. Do not use this calibration. {'; '.join(hints[:2])}"
        )
    if calibration.explanations > 1:
        found.append(
            f"{calibration.explanations} sets of values explain the measurement nearly alike, and the intervals reach"
            " over all of them. Measure more frequencies, or angles, to tell them apart"
        )
    names = [NAMES[each.unknown.name][0] for each in calibration.fitted]
    for i, j in np.argwhere(np.triu(np.abs(calibration.correlation) > TANGLED, 1)):
        found.append(
            f"{names[i]} and {names[j]} cannot be told apart by this measurement (correlation"
            f" {number(float(calibration.correlation[i, j]), 2)}): take both over together"
        )
    return found + [
        f"{NAMES[each.unknown.name][0]} ran into its bound, {number(each.value, NAMES[each.unknown.name][2])}"
        for each in calibration.fitted
        if each.value != each.unknown.start
        and min(each.value - each.unknown.low, each.unknown.high - each.value) < 1e-6 * each.unknown.width
    ]


def pictures(calibration: Calibration) -> dict[str, Any]:
    """Figures by the names of their files."""
    return {
        "deviation_before_after.png": _over_frequency(calibration),
        "deviation_over_angle.png": _over_angle(calibration),
        "fitted.png": _intervals(calibration),
    }


def _over_frequency(calibration: Calibration) -> Any:
    """Rms deviation at each frequency, fitted angles above, held-out ones below."""
    drawn, panels = canvas.stacked(5.4, ratios=(1, 1))
    frequency, valid = calibration.measured.observation.frequency, calibration.measured.valid
    top = 0.0
    for axes, (key, words) in zip(panels, ANGLES.items(), strict=True):
        title = "Deviation over frequency" if axes is panels[0] else ""
        style.dressed(axes, title, x="" if axes is panels[0] else "frequency, Hz", y=f"{words},\ndB rms")
        for (when, predicted), (colour, dash) in zip(_both(calibration), style.LINES, strict=False):
            rms = _rms(calibration, predicted, key == "held_out", axis=(1, 2))
            axes.plot(frequency, rms, color=colour, linestyle=dash, linewidth=1.9, label=when)
            top = max(top, float(np.nanmax(rms, initial=0.0)))
    for axes in panels:
        axes.set_ylim(0.0, max(1.1 * top, 0.2))
        style.over_frequency(axes, frequency, valid)
    style.legend(panels[0])
    return drawn


def _over_angle(calibration: Calibration) -> Any:
    """Rms deviation at each angle over all frequencies and planes; held-out angles marked."""
    drawn, axes = canvas.stacked(3.6, ratios=(1,))
    style.dressed(axes, "Deviation over angle", x="off-axis angle, degrees", y="dB rms")
    angle = calibration.measured.observation.off_axis / DEGREE
    top = 0.0
    for (when, predicted), (colour, dash) in zip(_both(calibration), style.LINES, strict=False):
        rms = np.sqrt(_mean(calibration.deviation(predicted) ** 2, (0, 1)))
        axes.plot(angle, rms, color=colour, linestyle=dash, linewidth=1.9, label=when)
        held = calibration.held_out
        label = "held out of the fit" if when == "after" else None
        axes.plot(angle[held], rms[held], "o", color=colour, markersize=5, markerfacecolor="white", label=label)
        top = max(top, float(np.nanmax(rms, initial=0.0)))
    axes.set_ylim(0.0, max(1.1 * top, 0.2))
    style.legend(axes)
    return drawn


def _intervals(calibration: Calibration) -> Any:
    """Each unknown against what was expected of it, in widths of that."""
    drawn, axes = canvas.stacked(1.3 + 0.42 * len(calibration.fitted), ratios=(1,))
    style.dressed(axes, "Fitted", x="off the stated value, over what was expected of it", y="")
    places = np.arange(len(calibration.fitted))[::-1]
    axes.axvspan(-1.0, 1.0, color=style.GREEN, alpha=0.18, linewidth=0, label="expected")
    for place, each in zip(places, calibration.fitted, strict=True):
        start, width = each.unknown.start, each.unknown.width
        ends = [(value - start) / width for value in (each.low, each.high)]
        label = "95 % interval" if place == places[0] else None
        axes.plot(ends, [place, place], color=style.BLUE, linewidth=2.2, solid_capstyle="butt", label=label)
        axes.plot([(each.value - start) / width], [place], "o", color=style.INK, markersize=5)
    names = [NAMES[each.unknown.name][0] for each in calibration.fitted]
    axes.set_yticks(places, names)
    axes.set_ylim(-0.6, places.size - 0.4)
    style.legend(axes)
    return drawn


def _both(calibration: Calibration) -> list[tuple[str, Any]]:
    return [("before", calibration.before), ("after", calibration.after)]


def _rms(calibration: Calibration, predicted: Any, held_out: bool, axis: tuple[int, ...]) -> FloatArray:
    square = calibration.deviation(predicted) ** 2
    mine = (calibration.held_out == held_out) & (np.abs(calibration.measured.observation.off_axis) > 1e-9)
    return np.asarray(np.sqrt(_mean(np.where(mine, square, np.nan), axis)))


def _mean(values: FloatArray, axis: tuple[int, ...]) -> FloatArray:
    """Over what is known; nan where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def page(
    calibration: Calibration,
    drawn: Mapping[str, Any],
    *,
    title: str,
    what: str,
    warnings: Sequence[str],
    waveguide: Waveguide,
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with the pictures of `pictures`. waveguide : as drawn, before the calibration."""
    captions = {
        "deviation_before_after.png": "Measured less predicted level, each re its own on axis, rms over angles.",
        "deviation_over_angle.png": "The same over angle. White: angles that the fit did not see.",
        "fitted.png": "Where the measurement put each unknown, and how surely. An interval as wide as the band, or"
        " wider, says that the measurement says little of it.",
    }
    shown = {
        name: sheet.picture(each, alt=captions[name].split(".")[0], caption=captions[name])
        for name, each in drawn.items()
    }
    noise = (
        f"One level scatters by {calibration.noise:.3f} dB about the fit; its variance counts"
        f" {calibration.variance_inflation:.1f} times, because the errors of neighbours are correlated."
        f" {calibration.solves} solves."
    )
    parts = [
        sheet.PageSection(
            "Deviation",
            [*(f"{line}." for line in deviation_words(calibration)), noise],
            head=("Angles", "Rms before, dB", "Rms after, dB", "Bias after, dB", "Worst after", "Levels"),
            rows=_deviation_rows(calibration),
            pictures=[shown["deviation_before_after.png"], shown["deviation_over_angle.png"]],
        ),
        sheet.PageSection(
            "What was fitted",
            [
                f"{NAMES[name][0].capitalize()}: {MEANS[name]}. Expected within {WIDTHS[name]}."
                for name in _of(calibration)
            ],
            head=("Unknown", "Value", "Standard error", "95 % from", "to", "Stated", "Learned"),
            rows=[_fitted_row(each) for each in calibration.fitted],
            pictures=[shown["fitted.png"]],
        ),
    ]
    left = left_out(waveguide)
    if left:
        reasons = {why: [NAMES[name][0] for name, each in left.items() if each == why] for why in left.values()}
        parts.append(
            sheet.PageSection(
                "Not fitted", [f"{' and '.join(which).capitalize()}: {why}." for why, which in reasons.items()]
            )
        )
    return sheet.sheet(title, what, parts=parts, written=written, command=command, warnings=warnings)


def _of(calibration: Calibration) -> list[str]:
    return [each.unknown.name for each in calibration.fitted]


def _fitted_row(each: Fitted) -> list[str]:
    name, unit, decimals = NAMES[each.unknown.name]
    values = (each.value, each.standard_error, each.low, each.high, each.unknown.start)
    head = f"{name}, {unit}" if unit else name
    return [head, *(number(value, decimals) for value in values), f"{100 * each.learned:.0f} %"]


def _deviation_rows(calibration: Calibration) -> list[list[str]]:
    found = deviations(calibration)
    return [
        [
            words,
            f"{found[f'{key}_before'].rms:.3f}",
            f"{found[f'{key}_after'].rms:.3f}",
            signed(found[f"{key}_after"].bias),
            _worst(found[f"{key}_after"]),
            str(found[f"{key}_after"].cells),
        ]
        for key, words in ANGLES.items()
    ]


def _worst(found: CalibrationFigures) -> str:
    at = f"{number(found.off_axis / DEGREE, 0)}°"
    return f"{signed(found.worst)} dB, {hertz(found.frequency)}, {at}"
