"""A comparison of measured and predicted, or of two of a kind, in words, and on its page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from evenflare.directivity.folder import Stored
from evenflare.measurement.compare import DIRECTION_FACTOR, Comparison, DeviationFigures
from evenflare.measurement.read_off import ReadOff
from evenflare.measurement.sides import MEASUREMENTS, PREDICTIONS, TO_MODEL, Kind, Sides
from evenflare.report.kit import sheet
from evenflare.results.comparison import level_words, nominal, normalisation, verdict, warnings
from evenflare.results.places import plane_name, where_words
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.words import hertz, signed


def lines(
    found: Comparison, read: ReadOff, measured: Stored, predicted: Stored, *, tolerance: float | None
) -> list[str]:
    """What is found, a sentence each without its full stop."""
    all_cells, valid = found.overall, found.observation.frequency[found.valid]
    said = [
        verdict(found, tolerance),
        f"Deviation {all_cells.rms:.3f} dB rms about zero, bias {signed(all_cells.bias)} dB,"
        f" over {all_cells.cells} cells from {hertz(valid[0])} to {hertz(valid[-1])}",
    ]
    if all_cells.worst is not None:
        worst = all_cells.worst
        place = where_words(found.observation, worst.frequency, worst.azimuth, worst.off_axis)
        said.append(f"Worst cell {signed(worst.deviation)} dB: {place}")
    index = read.rms(read.index)
    widths = [
        f"{plane_name(found.observation, azimuth)} {rms / DEGREE:.1f}°"
        for azimuth, both in read.beamwidths.items()
        if (rms := read.rms(both)) is not None
    ]
    parts = [
        f"index {index:.3f} dB" if index is not None else "",
        f"beamwidth {', '.join(widths)}" if widths else "",
    ]
    if any(parts):
        said.append(f"Rms difference of {'; '.join(part for part in parts if part)}")
    return [*said, level_words(read, measured, predicted)]


def told(sides: Sides, first: Stored, second: Stored) -> str:
    """Which is which, for whoever named them in another order or two of a kind."""
    one, other = sides.nouns
    return f"{one.capitalize()} is {first.path} ({first.name}), {other} {second.path} ({second.name})"


GAIN = {
    TO_MODEL.kind: " is taken from the measured ones: a prediction does not know how loudly it was driven. What is left"
    " of the level over frequency is the driver's, its amplifier's and what resounds before the mouth; no figure of the"
    " deviation and no verdict holds any of it",
    MEASUREMENTS.kind: " is taken from those of the first: how loudly either was driven need not be known. What is left"
    " of the level over frequency is the drivers', their amplifiers' and what resounds before the mouths; no figure of"
    " the deviation and no verdict holds any of it",
    PREDICTIONS.kind: " is taken from those of the first. Each is for what its own driver's source gives, so that gain"
    " and what is left over frequency tell how loud either waveguide is on axis; no figure of the deviation and no"
    " verdict holds any of it",
}
"""What one gain between both is, by kind."""


def remarks(found: Comparison, read: ReadOff) -> list[str]:
    """What else must be known of the figures, a sentence each without its full stop."""
    said = [
        normalisation(found),
        "Cells are weighted by the area of the sphere that they stand for, frequencies count alike, and the rms is"
        " about zero, so that a bias counts",
        f"Correlation of the levels is {_number(found.overall.correlation, 4)}: high wherever both fall off the axis,"
        " even for another waveguide, so never a verdict by itself",
        f"Levels on axis and sound power are compared after one gain of {signed(read.gain)} dB, the median"
        f" difference on axis,{GAIN[found.sides.kind]}",
        "Index, beamwidth and power of both are read off by the same quadrature on the common directions"
        + ("" if found.observation.far_field else f", at {found.observation.distance:g} m: not those of the far field"),
        f"Tolerance X: at most X dB rms over all, and at most {DIRECTION_FACTOR:g} X in any one direction over the"
        " valid frequencies, with levels below −20 dB raised to it, so that a silent direction counts too",
    ]
    if found.moved:
        said.append(
            f"{found.sides.nouns[1].capitalize()} counts from a point {abs(found.moved) / MILLIMETRE:.4g} mm"
            f" {'behind' if found.moved > 0.0 else 'before'} that of {found.sides.nouns[0]}, and was brought there"
            " along the axis: exact, as in the far field that turns phases and changes no level"
        )
    if read.uncovered:
        said.append(f"Index and sound power are not compared: {read.uncovered}")
    if found.one_sided:
        said.append(f"{found.one_sided} valid cells are left out because only one of both lies above −20 dB there")
    if found.frequencies_left_out or found.directions_left_out:
        said.append(
            f"{found.frequencies_left_out} frequencies and {found.directions_left_out} directions of"
            f" {found.sides.nouns[0]} have no counterpart in {found.sides.nouns[1]} and are left out"
        )
    return said


def page(
    found: Comparison,
    read: ReadOff,
    measured: Stored,
    predicted: Stored,
    *,
    tolerance: float | None,
    shown: Mapping[str, sheet.Picture],
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with its pictures by the names of their files."""
    maps = [each for name, each in shown.items() if name.startswith("deviation")]
    rest = [each for name, each in shown.items() if not name.startswith("deviation")]
    said = lines(found, read, measured, predicted, tolerance=tolerance)
    parts = [
        sheet.PageSection("Verdict", [f"{line}." for line in said]),
        sheet.PageSection("Deviation", pictures=maps),
        sheet.PageSection(
            "By band and plane",
            ["Octave bands (IEC 61260-1), in dB."],
            head=("Band", "Plane", "Bias", "Rms", "Worst", "At", "Cells"),
            rows=[_row(found, band.midband, band.azimuth, band.figures) for band in found.bands],
        ),
        sheet.PageSection("Index, beamwidth, level and power", pictures=rest),
        sheet.PageSection("What the figures mean", [f"{line}." for line in remarks(found, read)]),
    ]
    return sheet.sheet(
        f"{measured.name} against {predicted.name}",
        f"{found.sides.nouns[0].capitalize()}, in {measured.path}, against {found.sides.nouns[1]}, in"
        f" {predicted.path}. Made by evenflare.",
        parts=parts,
        written=written,
        command=command,
        warnings=warnings(found, measured, predicted),
    )


def _row(found: Comparison, midband: float, azimuth: float | None, each: DeviationFigures) -> list[str]:
    plane = "all" if azimuth is None else plane_name(found.observation, azimuth)
    if each.worst is None:
        return [hertz(nominal(midband)), plane, "–", "–", "–", "–", "0"]
    at = f"{hertz(each.worst.frequency)}, {each.worst.off_axis / DEGREE:.4g}°".replace("-", "−")
    worst = signed(each.worst.deviation)
    return [hertz(nominal(midband)), plane, signed(each.bias), f"{each.rms:.2f}", worst, at, str(each.cells)]


def _number(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if math.isfinite(value) else "unknown"


CAPTIONS = {
    "deviation_map": "Orange: less than predicted, violet: more. Stripes along an angle point to the rig or to one"
    " file, stripes along a frequency to a reflection, slanted ones to the shape;"
    " a frequency where all angles deviate alike is a dip on axis (--reference listening_window looks past it). Grey:"
    " not compared.",
    "deviation_over_frequency": "Rms and bias over the directions. A bias that grows with frequency is a wider or"
    " narrower beam; look first where the rms leaves the tolerance.",
    "deviation_over_angle": "Rms over the valid frequencies. A single peak is one wrong file, a slow rise away from the"
    " axis is the waveguide or the mounting.",
    "index_compared": "The index sums up all directions: where it agrees and the map does not, errors cancel.",
    "beamwidth_compared": "Between the first −6 dB crossings outward from the axis.",
    "level_and_power_compared": "What remains after one gain is the driver's own response, which the prediction leaves"
    " out: the same in both curves. Where the differences part, the directivity differs.",
}
"""By what the name of a picture begins with: of a measurement and a prediction."""
OF_A_KIND: dict[Kind, dict[str, str]] = {
    TO_MODEL.kind: {},
    MEASUREMENTS.kind: {
        "deviation_map": "Orange: the first is quieter than the second, violet: louder. Stripes along an angle point to"
        " a rig or to one file, stripes along a frequency to a reflection, slanted ones to the shape;"
        " a frequency where all angles deviate alike is a dip on axis (--reference listening_window looks past it)."
        " Grey: not compared.",
        "level_and_power_compared": "What remains after one gain is how the drivers differ: the same in both curves."
        " Where the differences part, the directivity differs.",
    },
    PREDICTIONS.kind: {
        "deviation_map": "Orange: the first is quieter than the second, violet: louder. A frequency where all angles"
        " deviate alike is a dip on axis of one of them (--reference listening_window looks past it). Grey: not"
        " compared.",
        "deviation_over_angle": "Rms over the valid frequencies. A slow rise away from the axis is another beamwidth, a"
        " peak a null that lies elsewhere.",
        "index_compared": "The index sums up all directions: where both agree and the map does not, directions cancel.",
        "level_and_power_compared": "What remains after one gain. Where the difference on axis is not that in power,"
        " the directivity differs.",
    },
}
"""The same where they are of one kind."""


def caption(name: str, sides: Sides = TO_MODEL) -> str:
    """Of a picture by the name of its file."""
    known = {**CAPTIONS, **OF_A_KIND[sides.kind]}
    return next((words for start, words in known.items() if name.startswith(start)), "")
