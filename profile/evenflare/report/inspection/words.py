"""An inspected part in words: the answer, its kinds of deviation, and what each says to machinist and foundry."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from evenflare.inspection.found import Estimate, Inspection
from evenflare.inspection.verdict import Held
from evenflare.results.inspection import KINDS, PartVerdict, kinds_of, state_words
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.words import hertz, signed

SMALL = 0.3
"""Share of the wall's cells with points, below which the part was hardly looked at."""
NINETY_FIVE = 1.96
"""Standard errors to either end of a 95 % interval."""
VAGUE = 0.1e-3
"""m, standard error of the offset from which on it is not known what the part will do."""
SURE = 2.0
"""Standard errors from which on a deviation is told from nothing."""


class KindWords(NamedTuple):
    """What a kind of deviation is called, is, and says to who made it. From experience of trades, no source."""

    name: str
    means: str
    machinist: str
    foundry: str


WORDS: Mapping[str, KindWords] = {
    "scale": KindWords(
        "Scale",
        "of the whole part about its datum, of a best fit about the throat's centre; 1 is as drawn",
        "check how far the axes really travel, and the part's temperature when it was cut and scanned",
        "correct the pattern's contraction",
    ),
    "offset": KindWords(
        "Offset",
        "everywhere alike; + the wall lies further from the axis",
        "correct the tool's radius or wear by as much",
        "correct the allowance for blasting, fettling and coating, or the pattern's own lacquer",
    ),
    "bow": KindWords(
        "Bow",
        "half a sine over the depth, nothing at throat and mouth",
        "look for a part or tool that gives way half-way down, or a part that relaxes when it is unclamped",
        "the casting warps in cooling: bow the pattern the other way, or feed it more evenly",
    ),
    "ovality": KindWords(
        "Ovality",
        "amplitude of the cosine of twice the azimuth, in whatever direction it is widest",
        "clamp more softly or at more places; compare the backlash of both axes",
        "the mould or the core was squeezed or leant: brace the flask, support the core",
    ),
    "tilt": KindWords(
        "Tilt",
        "of the wall's axis against the throat plane's",
        "face the throat's plane in the same setting as the wall",
        "machine the throat's face square to the cast wall, not to the feeder's side",
    ),
    "throat_step": KindWords(
        "Throat step",
        "by which the wall begins wider than drawn, beside the other kinds; nothing from one exit's radius on",
        "bore or turn the throat in the same setting as the wall, and measure it with a plug gauge",
        "machine the throat after casting, or correct the core's end",
    ),
    "waviness": KindWords(
        "Waviness",
        "what remains, root mean square, noise of the scan taken out",
        "smaller steps over, a stiffer tool or a lighter last cut; sand along long strokes, not spots",
        "finer facing sand or a smoother pattern; sand or machine the wall after casting",
    ),
}


def value_words(kind: str, estimate: Estimate) -> str:
    """A value with its standard error, in its unit."""
    unit, factor = KINDS[kind]
    error = estimate.standard_error / factor
    if np.isnan(error):
        return "not seen: the scan holds no points there"
    if kind == "scale":
        return f"{_number(kind, estimate)} ± {error:.5f}"
    return f"{_number(kind, estimate)} ± {error:.4f} {'°' if unit == '_deg' else 'mm'}"


def short_value(kind: str, estimate: Estimate) -> str:
    """The same for a narrow column whose head has the unit: the error in brackets, in the last digits."""
    error = estimate.standard_error / KINDS[kind][1]
    if np.isnan(error):
        return "not seen"
    last = 1e-5 if kind == "scale" else 1e-3
    return f"{_number(kind, estimate)}({max(1, round(error / last))})"


def _number(kind: str, estimate: Estimate) -> str:
    value = estimate.value / KINDS[kind][1]
    if kind == "scale":
        return f"{value:.5f}"
    sign = "" if kind in ("tilt", "waviness") else "+"
    return f"{value:{sign}.3f}".replace("-", "−")


def answer(found: PartVerdict) -> str:
    """Whether the part is good enough, one sentence without its full stop."""
    sound = found.sound
    k = sound.worst
    change = abs(sound.change[k])
    error = "" if np.isnan(sound.error[k]) else f" ± {sound.error[k]:.1g}"
    said = (
        f"its directivity index changes by at most {change:.2f}{error} dB (at {hertz(sound.frequency[k])}),"
        f" {sound.rms:.2f} dB rms"
    )
    if found.within is None:
        return f"No limit was given (--within-db or --tolerance), so there is no verdict: {said}"
    verdict = "GOOD ENOUGH" if found.within else "NOT GOOD ENOUGH"
    return f"{verdict}: {said}; {found.within_db:g} dB allowed"


def lines(found: PartVerdict) -> list[str]:
    """What is found after the answer, a sentence each without its full stop."""
    said = []
    score = found.sound.score
    if score is not None:
        said.append(
            f"Score by the target: {score.part:.3f} dB as built, {score.nominal:.3f} dB as drawn"
            f" ({signed(score.part - score.nominal)})"
        )
    if found.toleranced:
        said.append(_zones_line(found.held))
    worst = found.worst
    said.append(
        f"Off the drawn wall: {found.rms.value / MILLIMETRE:.3f} mm rms"
        f" (± {found.rms.standard_error / MILLIMETRE:.4f}),"
        f" worst {signed_mm(worst.off.value)} mm (± {worst.off.standard_error / MILLIMETRE:.4f})"
        f" {_place(worst.z, worst.azimuth)}"
    )
    said.append(_profile_line(found))
    counts = found.cells.cell >= 0
    said.append(
        f"{int(counts.sum())} points used, {int((~counts).sum())} left out (strays, and what is no wall); they cover"
        f" {100 * found.cells.covered:.0f} % of the wall; registered to"
        f" {_datum(found.inspection)}"
    )
    for kind, estimate in kinds_of(found.inspection).items():
        said.append(f"{WORDS[kind].name}: {value_words(kind, estimate)}{_cost(found, kind)}")
    if found.inspection.waviness.value > 0.0:
        said[-1] += f"; correlation length {found.inspection.waviness_length / MILLIMETRE:.0f} mm"
    return said


def _datum(inspection: Inspection) -> str:
    if inspection.registered_to != "datums":
        return "the best fit"
    return f"its {inspection.datum}" if inspection.datum else "its datums"


def signed_mm(length: float) -> str:
    """A length in m as millimetres of three decimals, with its sign."""
    return f"{length / MILLIMETRE:+.3f}".replace("-", "−")


def _place(z: float, azimuth: float) -> str:
    return f"at z = {z / MILLIMETRE:.1f} mm, azimuth {azimuth / DEGREE:.0f}°"


def _zones_line(held: Held) -> str:
    if not any(each.points for each in held.zones):
        return "Tolerance zones: not decided, no point lies in them"
    worst = held.worst
    beyond = (
        f"{worst.excess / MILLIMETRE:.3f} mm beyond the limit"
        if worst.excess > 0.0
        else f"{-worst.excess / MILLIMETRE:.3f} mm within the limit"
    )
    return (
        f"Tolerance zones: {state_words(held.state)}; {100 * held.outside:.1f} % of the points lie outside; worst"
        f" {beyond} {_place(worst.z, worst.azimuth)}"
    )


def _profile_line(found: PartVerdict) -> str:
    wide = 2.0 * abs(found.worst.off.value) / MILLIMETRE
    error = 2.0 * found.worst.off.standard_error / MILLIMETRE
    said = (
        f"Profile of a surface (ISO 1660): {wide:.3f} mm (± {error:.3f}), total width of the zone about the drawn one"
    )
    if found.profile is None or found.profile_width is None:
        return said
    return f"{said}; {found.profile_width / MILLIMETRE:g} mm allowed by the process: {state_words(found.profile.state)}"


def _cost(found: PartVerdict, kind: str) -> str:
    """What it does to the index by itself."""
    if kind in found.sound.alone:
        return f"; by itself it moves the index by at most {found.sound.alone[kind]:.2f} dB"
    costs = found.unsolved or {}
    if kind in costs:
        return f"; by itself about {costs[kind]:.2f} dB of index, by the tolerance's dB per mm"
    return ""


def rows(found: PartVerdict) -> list[list[str]]:
    """A row for each kind: its name, value, and what it costs."""
    costs = dict(found.unsolved or {}) | dict(found.sound.alone)
    return [
        [WORDS[kind].name, value_words(kind, estimate), f"{costs[kind]:.2f}" if kind in costs else "–"]
        for kind, estimate in kinds_of(found.inspection).items()
    ]


def advice(found: PartVerdict) -> list[str]:
    """Of each deviation that is told from nothing, a sentence each for machinist and foundry."""
    said = []
    for kind, estimate in kinds_of(found.inspection).items():
        away = abs(estimate.value - (1.0 if kind == "scale" else 0.0))
        if away > SURE * estimate.standard_error:
            told = WORDS[kind]
            said.append(f"{told.name}, machinist: {told.machinist}. Foundry: {told.foundry}.")
    return said


def cautions(found: PartVerdict) -> list[str]:
    """What must be seen first, each without its full stop."""
    said = []
    offset = found.inspection.offset.standard_error
    if offset > VAGUE:
        said.append(
            f"scale, offset and a shift along the axis can hardly be told apart on this wall (offset ±"
            f" {offset / MILLIMETRE:.2f} mm), and so the index hardly be known. Scan the throat's plane and the mouth's"
            " face too, and register to them with --datums"
        )
    if found.cells.covered < SMALL:
        said.append(
            f"points cover {100 * found.cells.covered:.0f} % of the wall: what lies between them is taken as smooth."
            " Probe or scan more of it"
        )
    if found.held.state == "outside" and found.toleranced and found.within:
        said.append(
            "the wall leaves its zones, and yet the index keeps its limit: the zones hold for every wall in them, this"
            " one was solved as it is"
        )
    sound = found.sound
    k = sound.worst
    near = np.inf if found.within_db is None else abs(abs(sound.change[k]) - found.within_db)
    if near < NINETY_FIVE * sound.error[k]:
        said.append(
            "the change of the index lies so near its limit that the scan's doubt could turn the verdict. Scan again,"
            " or closer"
        )
    return said
