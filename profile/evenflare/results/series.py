"""Several inspected parts as files: parts.json and parts.csv."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.inspection.series import Chart, Contraction, InspectedPart, PartTrend
from evenflare.results.comparison import plain_json
from evenflare.results.inspection import KINDS
from evenflare.text import quoted, table
from evenflare.units import MILLIMETRE, PERCENT
from evenflare.waveguide.accuracy import Accuracy
from evenflare.waveguide.wall_zones import WallZone


@dataclass(frozen=True)
class PartsFound:
    """Parts in their order, a control chart and a drift of each kind and of each zone, and what follows.

    charts, drifts : by kind, and "index" for its greatest change where it is known of all.
    zone_charts, zone_drifts : by zone; None where a part has no point there.
    zones_drift : indices of zones that drift at 5 % over all of them.
    """

    parts: tuple[InspectedPart, ...]
    zones: tuple[WallZone, ...]
    charts: Mapping[str, Chart]
    drifts: Mapping[str, PartTrend | None]
    zone_charts: tuple[Chart | None, ...]
    zone_drifts: tuple[PartTrend | None, ...]
    zones_drift: tuple[int, ...]
    accuracy: Accuracy
    contraction: Contraction | None = None


def unit_of(kind: str) -> tuple[str, float]:
    """The ending of the key of a charted kind, and SI of one such unit."""
    return KINDS.get(kind, ("_db", 1.0))


def record(found: PartsFound, *, design_id: str, warnings: Sequence[str]) -> dict[str, Any]:
    """`parts.json`: plain values; null where something could not be had."""
    accuracy, shrunk = found.accuracy, found.contraction
    held = {
        "design_id": design_id,
        "parts": [each.name for each in found.parts],
        "within": [each.within for each in found.parts],
        "charts": {
            f"{kind}{unit_of(kind)[0]}": _chart(chart, found.drifts[kind], unit_of(kind)[1])
            for kind, chart in found.charts.items()
        },
        "zones": [
            {
                "from_z_mm": zone.from_z / MILLIMETRE,
                "to_z_mm": zone.to_z / MILLIMETRE,
                "drifts": i in found.zones_drift,
                **({} if chart is None else _chart(chart, line, MILLIMETRE)),
            }
            for i, (zone, chart, line) in enumerate(zip(found.zones, found.zone_charts, found.zone_drifts, strict=True))
        ],
        "accuracy": {
            "wall_bias_mm": accuracy.bias / MILLIMETRE,
            "wall_spread_mm": accuracy.spread / MILLIMETRE,
            "correlation_length_mm": accuracy.correlation_length / MILLIMETRE,
            "around": accuracy.around,
            "scale_bias_percent": accuracy.scale_bias / PERCENT,
            "scale_spread_percent": accuracy.scale_spread / PERCENT,
            "throat_step_mm": accuracy.throat_step / MILLIMETRE,
        },
        "contraction": None if shrunk is None else contraction_record(shrunk),
        "warnings": list(warnings),
    }
    return {key: plain_json(value) for key, value in held.items()}


def contraction_record(found: Contraction) -> dict[str, float]:
    """In percent."""
    return {
        "used_percent": found.used / PERCENT,
        "contraction_percent": found.value / PERCENT,
        "standard_error_percent": found.standard_error / PERCENT,
        "from_percent": found.low / PERCENT,
        "to_percent": found.high / PERCENT,
    }


def _chart(chart: Chart, line: PartTrend | None, factor: float) -> dict[str, Any]:
    return {
        "mean": chart.mean / factor,
        "standard_deviation": chart.deviation / factor,
        "mean_moving_range": chart.moving_range / factor,
        "lower_limit": chart.lower / factor,
        "upper_limit": chart.upper / factor,
        "beyond": [i + 1 for i, each in enumerate(chart.beyond) if each],
        "slope_per_part": None if line is None else line.slope.value / factor,
        "slope_standard_error": None if line is None else line.slope.standard_error / factor,
        "drift_odds": None if line is None else line.odds,
    }


def csv_text(found: PartsFound, *, header: Sequence[str]) -> str:
    """`parts.csv`: a row a part."""
    names = [f"{kind}{middle}{unit}" for kind, (unit, _) in KINDS.items() for middle in ("", "_standard_error")]
    rows = []
    for number, each in enumerate(found.parts, 1):
        values = [
            value / KINDS[kind][1]
            for kind in KINDS
            for value in (each.kinds[kind].value, each.kinds[kind].standard_error)
        ]
        within = "" if each.within is None else str(int(each.within))
        rows.append([str(number), quoted(each.name), *map(_cell, values), _cell(each.index_worst), within])
    return table(["number", "part", *names, "index_worst_db", "within"], rows, header=header)


def _cell(value: float) -> str:
    return f"{value:.6g}" if np.isfinite(value) else ""
