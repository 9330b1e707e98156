"""A parameter study: how the wall's angle of a round waveguide sets index and beamwidth.

    python examples/parameter_study.py

Depth and roundover stay, the angle goes from 40 to 52 degrees. Printed are the means over 4 to 10 kHz.
"""

from __future__ import annotations

import numpy as np

from evenflare import metrics
from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation import solver
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import OblateSpheroidal, Waveguide

DEPTH, ROUNDOVER = 80 * MILLIMETRE, 12 * MILLIMETRE
seen = Observation(np.geomspace(4000, 10000, 20), np.linspace(0, np.pi, 37))
solve = solver("screen")

print("angle, degrees   mouth, mm   index, dB   beamwidth, degrees")
for angle in np.arange(40, 53, 3):
    waveguide = Waveguide(OblateSpheroidal(DEPTH, angle * DEGREE, ROUNDOVER))
    directivity = solve(waveguide, seen, Air())
    mouth = 2 * waveguide.meridian.mouth_radius / MILLIMETRE
    index = metrics.directivity_index(directivity).mean()
    width = metrics.beamwidth(directivity).mean() / DEGREE
    print(f"{angle:14.0f} {mouth:11.1f} {index:11.2f} {width:20.1f}")
