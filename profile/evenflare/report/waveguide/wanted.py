"""What a target wants, on axes that it is given: bands over frequency."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report.kit import style
from evenflare.results import formats
from evenflare.units import DEGREE


def index(axes: Any, columns: formats.Columns, *, kind: str) -> None:
    """The wanted index between wanted less and wanted plus tolerance. `columns` as tables.target_columns."""
    frequency, middle, tolerance = (columns[name] for name in ("frequency_hz", "index_db", "tolerance_db"))
    named = "whole-sphere" if kind == "sphere" else "sound-power"
    axes.fill_between(
        frequency, middle - tolerance, middle + tolerance, color=style.GREEN, alpha=0.22, linewidth=0, label="tolerance"
    )
    axes.plot(frequency, middle, color=style.GREEN, linewidth=1.2, label=f"wanted ({named})")


def beams(axes: Any, columns: formats.Columns, *, half_space: bool) -> None:
    """Wanted beamwidths; by plane, each with the band within which an even beam's index keeps to the tolerance."""
    frequency, space = columns["frequency_hz"], 180.0 if half_space else 360.0
    for name, width in columns.items():
        if not name.startswith("beamwidth") or not np.isfinite(width).any():
            continue
        plane = name.removeprefix("beamwidth").removesuffix("_deg").lstrip("_")
        if not plane:
            axes.plot(frequency, width, color=style.GREEN, linewidth=1.2, label="wanted")
            continue
        colour, dash = style.PLANES[plane]
        width = np.minimum(width, space)
        # An even beam of the full angle w has an index that goes as 1 / (1 - cos(w / 2)).
        low, high = (
            2.0 / DEGREE * np.arccos(np.clip(1.0 - (1.0 - np.cos(0.5 * width * DEGREE)) * ratio, -1.0, 1.0))
            for ratio in (10.0 ** (-columns["tolerance_db"] / 10.0), 10.0 ** (columns["tolerance_db"] / 10.0))
        )
        axes.fill_between(
            frequency, low, np.minimum(high, space), color=colour, alpha=0.16, linewidth=0, label=f"wanted, {plane}"
        )
        axes.plot(frequency, width, color=colour, linestyle=dash, linewidth=0.8, alpha=0.7)
