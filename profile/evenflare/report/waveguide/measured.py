"""The pictures of a measurement: its directivity, and what was heard on axis."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Directivity
from evenflare.report.kit import canvas, style
from evenflare.report.waveguide import figures
from evenflare.results import tables
from evenflare.units import DEGREE

LEAST_SPAN = 40.0
"""dB, of the level axis."""


def pictures(directivity: Directivity) -> dict[str, Any]:
    """Every picture that the observed directions allow, by the name of its file."""
    found = {"on_axis.png": on_axis(directivity)}
    covered = tables.uncovered(directivity) == ""
    if directivity.observation.off_axis.size > 1:
        for name, plane in figures.planes(directivity).items():
            found[f"directivity_map{name and '_' + name}.png"] = figures.directivity_map(directivity, plane=plane)
        found["off_axis_curves.png"] = figures.off_axis_curves(directivity)
        drawn = figures.index_and_beamwidth(directivity)
        if not covered:
            axes = drawn.axes[0]
            legend = axes.get_legend()
            if legend is not None:
                legend.remove()
            style.nothing(axes, "an index needs both planes all round, or a symmetry")
        found["index_and_beamwidth.png"] = drawn
    if covered:
        found["standard_curves.png"] = figures.standard_curves(directivity)
    return found


def on_axis(directivity: Directivity) -> Any:
    """Level on axis at the microphone's distance, and its phase without the travel time."""
    observation = directivity.observation
    drawn, (above, below) = canvas.stacked(4.8, ratios=(3, 2))
    level, phase = metrics.on_axis_level(directivity), metrics.on_axis_phase(directivity) / DEGREE
    style.dressed(above, "On axis", x="", y=f"level at {observation.distance:g} m, dB")
    style.dressed(below, "", x="frequency, Hz", y="phase, degrees")
    above.plot(observation.frequency, level, color=style.BLUE, linewidth=2.0, label="level")
    # A line that jumps from 180 to -180 degrees is broken there.
    jumps = np.abs(np.diff(phase, prepend=phase[:1])) > 180.0
    below.plot(observation.frequency, np.where(jumps, np.nan, phase), color=style.ORANGE, linewidth=1.6, label="phase")
    known = level[np.isfinite(level)]
    if known.size:
        top = 5.0 * np.ceil((known.max() + 1.0) / 5.0)
        above.set_ylim(min(top - LEAST_SPAN, 5.0 * np.floor(known.min() / 5.0)), top)
    below.set_ylim(-180.0, 180.0)
    below.set_yticks(np.arange(-180, 181, 90))
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, observation.frequency, directivity.valid, veil=veil)
    style.legend(above)
    return drawn
