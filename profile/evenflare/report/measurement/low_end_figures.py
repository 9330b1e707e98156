"""The picture of a low end: near field, gated reading, and both as one."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare import metrics
from evenflare.measurement.low_end import LowEnd
from evenflare.report.kit import canvas, style
from evenflare.units import REFERENCE_PRESSURE, amplitude_db

SPAN = 45.0
"""dB, of the level axis."""


def low_end(found: LowEnd) -> Any:
    """Levels on axis with their 95 % interval, the overlap shaded; below, what the level is uncertain by."""
    directivity = found.directivity
    frequency = directivity.observation.frequency
    level = np.where(directivity.valid, metrics.on_axis_level(directivity), np.nan)
    wide = found.budget.expanded()
    drawn, (above, below) = canvas.stacked(5.2, ratios=(3, 1.3))
    style.dressed(above, "Low end on axis", x="", y=f"level at {directivity.observation.distance:g} m, dB")
    style.dressed(below, "", x="frequency, Hz", y="95 %, ± dB")
    low, high = found.findings["overlap_hz"]
    for axes in (above, below):
        axes.axvspan(low, high, facecolor=style.SKY, alpha=0.22, linewidth=0, label="overlap" if axes is above else "")
    above.fill_between(frequency, level - wide, level + wide, color=style.FAINT, linewidth=0)
    above.plot(frequency, level, color=style.INK, linewidth=2.4, label="both as one, 95 %")
    lines = ((found.gated, "gated"), (found.near, "near field, taken to there"))
    for (pressure, name), (colour, _), dash in zip(lines, style.LINES, ("--", ":"), strict=False):
        with np.errstate(invalid="ignore"):
            own = amplitude_db(pressure / REFERENCE_PRESSURE)
        above.plot(frequency, own, color=colour, linestyle=dash, linewidth=1.6, label=name)
    below.plot(frequency, np.where(directivity.valid, wide, np.nan), color=style.INK, linewidth=1.6)
    known = level[np.isfinite(level)]
    if known.size:
        top = 5.0 * np.ceil((known.max() + 2.0) / 5.0)
        above.set_ylim(top - SPAN, top)
    below.set_ylim(0.0, max(style.ceiling(below, 0.5), 1.0))
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, frequency, directivity.valid, veil=veil)
    style.legend(above)
    return drawn
