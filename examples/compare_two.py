"""Compare two directivities: a waveguide by both methods, and against its neighbour with a larger roundover.

    python examples/compare_two.py

`compare` holds any two against each other that were observed from the same point and distance in the same air; it is
what `evenflare compare` does with a measurement and a prediction.
"""

from __future__ import annotations

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.measurement.compare import compare
from evenflare.radiation import solver
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, Waveguide

seen = Observation(np.geomspace(1000, 12000, 16), np.linspace(0, 0.5 * np.pi, 19))
march, judge = solver("full"), solver("screen", method="boundary_elements")


def cone(roundover: float) -> Waveguide:
    """80 mm deep, 42 degrees against the axis. roundover : m."""
    return Waveguide(Conical(80 * MILLIMETRE, 42 * DEGREE, roundover))


sharp = march(cone(10 * MILLIMETRE), seen, Air())
pairs = {
    "march less boundary elements": (sharp, judge(cone(10 * MILLIMETRE), seen, Air())),
    "roundover of 10 mm less 25 mm": (sharp, march(cone(25 * MILLIMETRE), seen, Air())),
}
for name, (one, other) in pairs.items():
    found = compare(one, other).overall
    place = found.worst
    where = "" if place is None else f", at {place.frequency:.0f} Hz and {place.off_axis / DEGREE:.0f} degrees"
    worst = "" if place is None else f"{place.deviation:+.2f} dB"
    print(f"{name}: {found.rms:.3f} dB rms over {found.cells} cells, worst {worst}{where}")
