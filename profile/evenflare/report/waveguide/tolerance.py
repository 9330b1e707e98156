"""A wall's tolerance in words and on its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from evenflare.report.kit import sheet
from evenflare.report.waveguide import tolerance_figures
from evenflare.results.tolerance import Toleranced, octaves, tilt_by_octave, zone_rows
from evenflare.studies.costs import TRADES, TiltOffAxis, trade_sentence
from evenflare.studies.tolerance import MANY, SIGMAS, rounded_down
from evenflare.studies.units import CONFIDENCE
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.wall_zones import WallZone
from evenflare.words import band_name, hertz, mm

MADE = 0.9
"""Of what may be heard: where the worst wall does less, the band is not as wide as the sound allows."""
MUCH = 1.3
"""Times that a band would be wider without one frequency, from which that is worth a word."""


def limit_words(zone: WallZone) -> str:
    """A zone's limits as a workshop writes them, down to two digits."""
    minus, plus = (f"{rounded_down(each, 2) / MILLIMETRE:.3g}" for each in (zone.minus, zone.plus))
    return f"±{plus} mm" if minus == plus else f"−{minus}/+{plus} mm"


def zones_words(zones: Sequence[WallZone]) -> str:
    """What to keep where, in a clause."""
    parts = []
    for i, zone in enumerate(zones):
        length = f"{mm(zone.to_z - zone.from_z, 3)} mm"
        where = f"the first {length}" if i == 0 else f"the next {length}"
        if i == len(zones) - 1:
            where = "the rest, rim and all," if i else "all of the wall"
        parts.append(f"{where} within {limit_words(zone)}")
    return ", ".join(parts)


def answer(done: Toleranced) -> list[str]:
    """What a reader must know first, sentences without their full stop."""
    band, found = done.band, done.found
    span = f"from {hertz(found.frequency[0])} to {hertz(found.frequency[-1])}"
    lines = [
        f"Keep {zones_words(band.zones)}: then the directivity index stays within {band.within:g} dB of the drawn"
        f" wall's at every frequency looked at, {span}, whichever pieces of the wall lie at either limit, each"
        f" {mm(band.length, 3)} mm or more"
    ]
    if band.statistical:
        lines.append(
            f"Where walls scatter at random as those of {done.process} do, {done.share:.0%} of units keep that with"
            f" {zones_words(band.statistical)}, each limit being {SIGMAS:g} standard deviations of a place of the wall"
        )
    if done.spread is not None:
        low, high = done.spread.interval
        lines.append(
            f"Of {done.spread.count} units as {done.process} makes them, {done.spread.share:.1%} keep {band.within:g}"
            f" dB ({CONFIDENCE:.0%} confidence: {low:.1%} to {high:.1%}); {done.share:.0%} are asked for:"
            f" {'good enough' if done.keeps else 'not good enough'}"
        )
    lines += [trade_sentence(trade, list(done.costs), band.within) for trade in TRADES]
    if (askew := done.askew) is not None:
        at = int(askew.per_degree.argmax())
        lines.append(
            f"A driver that sits askew by a degree moves levels off axis, within 60 degrees and above −12 dB, by up to"
            f" {askew.per_degree[at]:.2g} dB, at {hertz(found.frequency[at])}; that is"
            f" {askew.per_rise.max() * MILLIMETRE:.2g} dB for each mm by which the mouth's rim lies out of square, a"
            " radius from the axis"
        )
    return lines


def notes(done: Toleranced) -> list[str]:
    """Where theory and solver end, sentences without their full stop."""
    found, band = done.found, done.band
    said = [
        f"{band.proof.walls} walls at the band's edge were solved, the worst that slopes foresee and others drawn at"
        f" random: the worst changed the index by {band.proof.worst:.3g} dB, at {hertz(band.proof.frequency)}; slopes"
        f" alone foresaw {band.proof.predicted:.3g} dB. Those drawn at random did {band.proof.drawn:.3g} dB at most,"
        f" and of {MANY} so drawn the worst would do {band.proof.of_many:.3g} dB by slopes: all pieces of a wall seldom"
        " err the way that adds up. A wall contrived of pieces as long or longer, cut wherever that does most, would do"
        f" {band.contrived:.3g} dB by slopes"
    ]
    if band.proof.worst < MADE * band.within and not band.capped:
        said.append(
            "The band is narrower than the sound asks: in a wider one some walls would fold or turn back, and are no"
            " waveguides"
        )
    if (one := deciding(done)) is not None:
        said.append(one)
    if done.apart is not None:
        said.append(
            f"Slopes by exact derivatives of boundary elements differ by at most {done.apart:.1%} of the greatest"
        )
    if found.not_straight.size:
        said.append(f"Slopes depend on the step, and tell less, at {_list(found.not_straight)}")
    if done.spread is not None:
        spread = done.spread
        at = spread.frequency[spread.fails]
        where = f"but at {_list(at)}, where it bends too much for slopes" if at.size else "at every frequency"
        said.append(
            f"Slopes alone foresee the spread of units to a fifth of it {where}; by slopes alone"
            f" {spread.linear_share:.1%} of the units would keep"
        )
    said += [f"Not known: {kind.replace('_', ' ')} ({why})" for kind, why in found.left_out.items()]
    return [*said, done.method]


def deciding(done: Toleranced) -> str | None:
    """Whether a single frequency makes the band narrow, in a sentence."""
    by_frequency = np.einsum("nmc,n->c", np.abs(done.found.index), done.band.limits)
    worst = int(by_frequency.argmax())
    others = np.abs(np.log2(done.found.frequency / done.found.frequency[worst])) > 1.0 / 6.0
    if not others.any():
        return None
    times = float(by_frequency[worst] / by_frequency[others].max())
    if times < MUCH:
        return None
    return (
        f"About {hertz(done.found.frequency[worst])} alone decides: without the third of an octave around it, where"
        f" the index is {done.found.nominal[worst]:.1f} dB, the band could be about {times:.1f} times as wide. A narrow"
        " dip on axis moves with every tenth of a millimetre"
    )


def _list(frequency: FloatArray) -> str:
    shown = [hertz(float(each)) for each in frequency[:6]]
    return ", ".join(shown) + (f" and {len(frequency) - 6} more" if len(frequency) > 6 else "")


CAPTIONS = {
    "tolerance_band.png": "Above, the wall in section with its band drawn wider than it is, as the picture says. Below,"
    " how much a bump of the wall moves the index, over its place and frequency.",
    "tolerance_kinds.png": "How much a millimetre of each kind of error moves the index.",
    "tolerance_units.png": "What the units of the process do to the index: nine of ten lie in the grey band. Dashed: by"
    " slopes alone.",
}


def page(done: Toleranced, waveguide: Waveguide, folder: Path, *, written: list[tuple[str, str]], command: str) -> str:
    """The page; its pictures are written into `folder` and added to what was written."""
    drawn = tolerance_figures.figures(done, waveguide)
    shown: Mapping[str, sheet.Picture] = sheet.saved(drawn, folder, lambda name: CAPTIONS[name])
    written += [(name, "picture") for name in drawn]
    zones = [
        [
            f"{row['from_z_mm']:g} to {row['to_z_mm']:g}",
            *(_shown(row[key]) for key in ("minus_mm", "plus_mm", "statistical_minus_mm", "statistical_plus_mm")),
        ]
        for row in zone_rows(done)
    ]
    bands = octaves(done.found.frequency)
    kinds = [
        [
            each.kind.replace("_", " "),
            f"{each.most * MILLIMETRE:.3g}",
            hertz(done.found.frequency[int(np.abs(each.index).argmax())]),
            _shown(_finite(each.allowed(done.band.within) / MILLIMETRE), 2),
            *(f"{np.abs(each.index[rows]).max() * MILLIMETRE:.2g}" for _, rows in bands),
        ]
        for each in done.costs
    ]
    parts = [
        sheet.PageSection(
            "Zones",
            ["Along the normal of the wall, minus nearer to the axis, plus further from it; mm, from the throat."],
            head=("Depth", "Minus", "Plus", "Scattered: minus", "Plus"),
            rows=zones,
            pictures=[shown["tolerance_band.png"]],
        ),
        sheet.PageSection(
            "Kinds of error",
            [
                "Of the index, dB for each mm; scale and tilt counted at the mouth's rim. Last columns: the greatest in"
                " each octave.",
                *(f"Waviness is meant as {each.wave}." for each in done.costs if each.wave),
            ],
            head=(
                *("Kind", "dB per mm", "At", f"mm for {done.band.within:g} dB"),
                *(band_name(midband) for midband, _ in bands),
            ),
            rows=kinds,
            pictures=[shown["tolerance_kinds.png"]],
        ),
        *([] if done.askew is None else [_tilt_section(done.askew, done.found.frequency)]),
        sheet.PageSection(
            "By place",
            [
                f"What a bump of 1 mm does whose base is {mm(2.0 * done.found.spacing, 3)} mm wide, the greatest at any"
                " frequency: index, polar level within 60 degrees and above −12 dB re on axis, beamwidth."
            ],
            head=("Depth, mm", "Azimuth", "Index, dB", "Polar, dB", "Beamwidth, degrees", "Score, dB"),
            rows=_place_rows(done),
            tall=True,
        ),
    ]
    if "tolerance_units.png" in shown:
        parts.append(sheet.PageSection("Units", pictures=[shown["tolerance_units.png"]]))
    parts.append(sheet.PageSection("How far to trust this", [f"{line}." for line in notes(done)]))
    what = f"How far the wall of {done.name} (id {done.design_id}) may lie from the drawn one."
    return sheet.sheet(
        f"{done.name}: tolerance",
        what,
        parts=parts,
        written=written,
        command=command,
        message=[f"{line}." for line in answer(done)],
    )


def _tilt_section(askew: TiltOffAxis, frequency: FloatArray) -> sheet.PageSection:
    rows = [
        [band_name(each["octave_hz"]), f"{each['db_per_degree']:.2g}", f"{each['db_per_mm']:.2g}"]
        for each in tilt_by_octave(askew, frequency)
    ]
    return sheet.PageSection(
        "Tilt off axis",
        [
            "A driver that sits askew turns the pattern to one side, by as much down on the other. The greatest change"
            " of a level re on axis within 60 degrees and above −12 dB, for each degree, and for each mm by which the"
            " mouth's rim lies out of square, a radius from the axis; on axis nothing changes."
        ],
        head=("Octave", "dB per degree", "dB per mm"),
        rows=rows,
    )


def _place_rows(done: Toleranced) -> list[list[str]]:
    found = done.found
    rows = []
    for i, around in enumerate(found.places):
        for j, slopes in enumerate(around):
            known = slopes.beamwidth[np.isfinite(slopes.beamwidth)]
            rows.append(
                [
                    f"{found.z[i] / MILLIMETRE:.1f}",
                    "all" if len(around) == 1 else f"{found.azimuths[j] / DEGREE:.0f}°",
                    f"{np.abs(slopes.index).max() * MILLIMETRE:.2f}",
                    f"{slopes.polar.max() * MILLIMETRE:.2f}",
                    f"{known.max() * MILLIMETRE / DEGREE:.1f}" if known.size else "",
                    f"{slopes.score * MILLIMETRE:+.3f}" if np.isfinite(slopes.score) else "",
                ]
            )
    return rows


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _shown(value: float | None, digits: int = 3) -> str:
    return "" if value is None else f"{value:.{digits}g}"
