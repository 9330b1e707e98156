"""The picture of how two methods agree."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report.kit import canvas, style
from evenflare.studies.agreement import LARGEST_BOUND, METHODS, Agreement
from evenflare.units import DEGREE, FloatArray


def figure(agreement: Agreement) -> Any:
    """Index and horizontal beamwidth of both methods over frequency, and the difference of the index."""
    frequency = agreement.march.observation.frequency
    drawn, (above, difference, below) = canvas.stacked(6.4, ratios=(3, 1.6, 3))
    style.dressed(above, "Two methods", x="", y="index, dB")
    style.dressed(difference, "", x="", y="march less\nb. elements, dB")
    style.dressed(below, "", x="frequency, Hz", y="horizontal beamwidth, degrees")
    for (name, words), (colour, dash) in zip(METHODS.items(), style.LINES, strict=False):
        for axes, values in ((above, agreement.index[name]), (below, agreement.beamwidth[name] / DEGREE)):
            axes.plot(frequency, values, color=colour, linestyle=dash, linewidth=1.9, label=words)
    _bounds(difference, frequency, agreement.difference)
    above.set_ylim(0, style.ceiling(above, 2.0))
    below.set_ylim(0, style.ceiling(below, 30.0))
    below.set_yticks(np.arange(0, below.get_ylim()[1] + 1, 30))
    valid = agreement.march.valid & agreement.boundary_elements.valid
    for axes in (above, difference, below):
        style.over_frequency(axes, frequency, valid, veil="one is not valid" if axes is above else "")
    style.legend(above)
    return drawn


def _bounds(axes: Any, frequency: FloatArray, difference: FloatArray) -> None:
    """The difference over the band that it must not leave anywhere."""
    axes.axhspan(-LARGEST_BOUND, LARGEST_BOUND, color=style.GREEN, alpha=0.18, linewidth=0)
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8)
    axes.plot(frequency, difference, color=style.INK, linewidth=1.5)
    reach = max(1.5 * LARGEST_BOUND, 1.1 * float(np.nanmax(np.abs(difference), initial=0.0)))
    axes.set_ylim(-reach, reach)
