"""Several inspected parts in words, pictures and on their page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.inspection.series import Chart, Contraction
from evenflare.report.inspection import figures, words
from evenflare.report.kit import sheet
from evenflare.results.series import PartsFound, unit_of
from evenflare.units import MILLIMETRE, PERCENT
from evenflare.waveguide.wall_zones import WallZone

CAPTIONS = {
    "control_charts.png": "Parts in the order in which they were named. Dashed: mean and 3/1.128 of the mean moving"
    " range either way (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2). A square lies beyond.",
    "zone_charts.png": "Mean deviation of each zone, mm; limits as above.",
}
"""By the names of the files."""
FEW = 8
"""Parts below which limits from their moving range are a first guess (own choice)."""


def _name(kind: str) -> str:
    return words.WORDS[kind].name if kind in words.WORDS else "Index, greatest change"


def _unit(kind: str) -> str:
    return {"_mm": "mm", "_deg": "°", "_db": "dB", "": ""}[unit_of(kind)[0]]


def lines(found: PartsFound) -> list[str]:
    """What is found, a sentence each without its full stop."""
    n = len(found.parts)
    bad = [each.name for each in found.parts if each.within is False]
    judged = [each for each in found.parts if each.within is not None]
    said = []
    if judged:
        said.append(
            f"{'NOT ALL GOOD ENOUGH' if bad else 'ALL GOOD ENOUGH'}: {len(judged) - len(bad)} of {len(judged)} parts"
            + (f"; not: {', '.join(bad)}" if bad else "")
        )
    else:
        said.append("No limit was given (--within-db or --tolerance), so there is no verdict")
    for kind, chart in found.charts.items():
        said.append(f"{_name(kind)}: {_chart_words(kind, chart)}{_drift_words(found, kind)}")
    drifts = found.zones_drift
    if drifts:
        each = "; ".join(f"z = {_zone_words(found.zones[i])} by {_slope(found, i)}" for i in drifts)
        said.append(f"Zones that drift from part to part: {each}")
    else:
        said.append("No zone drifts from part to part" if n > 2 else "Two parts cannot tell a drift")
    if found.contraction is not None:
        said.append(contraction_words(found.contraction))
    accuracy = found.accuracy
    said.append(
        f"The process: bias {words.signed_mm(accuracy.bias)} mm, spread {accuracy.spread / MILLIMETRE:.3f} mm,"
        f" correlation length {accuracy.correlation_length / MILLIMETRE:.0f} mm, scale"
        f" {accuracy.scale_bias / PERCENT:+.3f} % with a spread of {accuracy.scale_spread / PERCENT:.3f} %".replace(
            " -", " −"
        )
    )
    return said


def contraction_words(found: Contraction) -> str:
    """What the pattern should have had."""
    return (
        f"Contraction that the pattern should have had: {found.value / PERCENT:.3f} %, with 95 % between"
        f" {found.low / PERCENT:.3f} and {found.high / PERCENT:.3f} % (it had {found.used / PERCENT:.3f} %)"
    )


def _chart_words(kind: str, chart: Chart) -> str:
    factor, unit = unit_of(kind)[1], _unit(kind)
    digits = 5 if kind == "scale" else 3
    beyond = [str(i + 1) for i, each in enumerate(chart.beyond) if each]
    said = (
        (
            f"mean {chart.mean / factor:.{digits}f} {unit}, deviation {chart.deviation / factor:.{digits}f} {unit},"
            f" limits {chart.lower / factor:.{digits}f} to {chart.upper / factor:.{digits}f}"
        )
        .replace(" ,", ",")
        .replace(" -", " −")
    )
    return said + (f"; BEYOND them: part {', '.join(beyond)}" if beyond else "")


def _drift_words(found: PartsFound, kind: str) -> str:
    line = found.drifts[kind]
    if line is None:
        return ""
    factor = unit_of(kind)[1]
    slope = f"{line.slope.value / factor:+.2g} ± {line.slope.standard_error / factor:.1g} {_unit(kind)}".strip()
    return f"; drift {slope} a part (odds of that by chance {line.odds:.2g})".replace("-", "−")


def _zone_words(zone: WallZone) -> str:
    return f"{zone.from_z / MILLIMETRE:.1f} to {zone.to_z / MILLIMETRE:.1f} mm"


def _slope(found: PartsFound, number: int) -> str:
    line = found.zone_drifts[number]
    assert line is not None  # only zones with a line drift
    slope, error = line.slope.value / MILLIMETRE, line.slope.standard_error / MILLIMETRE
    return f"{slope:+.4f} ± {error:.4f} mm a part (odds by chance {line.odds:.2g})".replace("-", "−")


def pictures(found: PartsFound) -> dict[str, Any]:
    """Figures by the names of their files."""
    names = [each.name for each in found.parts]
    kinds = {
        f"{_name(kind).split(',')[0].lower()}{', ' if _unit(kind) else ''}{_unit(kind)}": (chart, unit_of(kind)[1])
        for kind, chart in found.charts.items()
    }
    zones = {
        f"{zone.from_z / MILLIMETRE:.0f}–{zone.to_z / MILLIMETRE:.0f} mm": (chart, MILLIMETRE)
        for zone, chart in zip(found.zones, found.zone_charts, strict=True)
        if chart is not None
    }
    drawn = {"control_charts.png": figures.charts(kinds, names, title="Parts one after the other")}
    if zones:
        drawn["zone_charts.png"] = figures.charts(zones, names, title="Mean deviation by zone, mm")
    return drawn


def caption(name: str) -> str:
    """Of a picture by the name of its file."""
    return CAPTIONS[name]


def cautions(found: PartsFound) -> list[str]:
    """What must be seen first, each without its full stop."""
    if len(found.parts) >= FEW:
        return []
    return [
        f"{len(found.parts)} parts are few: their limits and spread are a first guess, known to about"
        f" {100.0 / np.sqrt(2.0 * (len(found.parts) - 1)):.0f} %"
    ]


def page(
    found: PartsFound,
    *,
    title: str,
    what: str,
    shown: Mapping[str, sheet.Picture],
    warnings: Sequence[str],
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with its pictures by the names of their files."""
    said = lines(found)
    units = {kind: f", {_unit(kind)}" if _unit(kind) else "" for kind in words.WORDS}
    head = ("Part", *(f"{words.WORDS[kind].name}{unit}" for kind, unit in units.items()), "Index, dB", "Good enough")
    rows = [
        [
            each.name,
            *(words.short_value(kind, each.kinds[kind]) for kind in words.WORDS),
            "–" if np.isnan(each.index_worst) else f"{each.index_worst:+.2f}".replace("-", "−"),
            "–" if each.within is None else "yes" if each.within else "NO",
        ]
        for each in found.parts
    ]
    parts = [
        sheet.PageSection("What was found", [f"{line}." for line in said[1:]]),
        sheet.PageSection(
            "Parts",
            ["In brackets the standard error, in the last digits: 0.41(2) is 0.41 ± 0.02 (JCGM 100, 7.2.2)."],
            head=head,
            rows=rows,
            tall=True,
            marked=frozenset(i for i, each in enumerate(found.parts) if each.within is False),
        ),
        sheet.PageSection("Control charts", pictures=list(shown.values())),
    ]
    return sheet.sheet(
        title, what, parts=parts, written=written, command=command, warnings=warnings, message=[f"{said[0]}."]
    )
