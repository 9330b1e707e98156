"""The picture of one waveguide in several mountings."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report.kit import canvas, style
from evenflare.studies.cabinet import NAMES, CabinetEffect
from evenflare.units import DEGREE


def figure(found: CabinetEffect) -> Any:
    """Index, horizontal beamwidth and on-axis level over frequency; the level re that of the first case."""
    frequency, first = found.frequency, found.mounted[0]
    drawn, (above, middle, below) = canvas.stacked(6.8, ratios=(3, 3, 2))
    style.dressed(above, "Cabinet effect", x="", y="index, dB")
    style.dressed(middle, "", x="", y="horizontal beamwidth, degrees")
    style.dressed(below, "", x="frequency, Hz", y=f"on-axis level\nre {first.case.name}, dB")
    for each, (colour, dash) in zip(found.mounted, style.LINES, strict=False):
        look = {"color": colour, "linestyle": dash, "linewidth": 1.9}
        words = f"{NAMES[each.case.name]}{' (as designed)' if each.case.as_designed else ''}"
        above.plot(frequency, each.index, label=words, **look)
        middle.plot(frequency, each.beamwidth / DEGREE, **look)
        below.plot(frequency, each.on_axis_level - first.on_axis_level, **look)
    above.set_ylim(0, style.ceiling(above, 2.0))
    middle.set_ylim(0, style.ceiling(middle, 30.0))
    middle.set_yticks(np.arange(0, middle.get_ylim()[1] + 1, 60))
    valid = np.all([each.valid for each in found.mounted], axis=0)
    for axes in (above, middle, below):
        style.over_frequency(axes, frequency, valid, veil="one is not valid" if axes is above else "")
    style.legend(above)
    return drawn
