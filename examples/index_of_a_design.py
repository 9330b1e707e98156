"""Solve a design and print its directivity index.

    python examples/index_of_a_design.py

The design is written out here; `read_design("best.toml")` reads one from a file.
"""

from __future__ import annotations

import numpy as np

from evenflare import metrics, solve
from evenflare.air import Air
from evenflare.design.file import Design
from evenflare.directivity.types import Observation
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import OblateSpheroidal, Waveguide

design = Design(
    name="invented waveguide",
    waveguide=Waveguide(OblateSpheroidal(80 * MILLIMETRE, 42 * DEGREE, 15 * MILLIMETRE)),
    air=Air(),
    observation=Observation(np.geomspace(500, 16000, 16), np.linspace(0, np.pi, 37)),
)
directivity = solve(design, method="march", setting="full")
index = metrics.directivity_index(directivity)
width = metrics.beamwidth(directivity) / DEGREE

print("frequency, Hz   index, dB   beamwidth, degrees   estimated error, dB")
for row in zip(design.observation.frequency, index, width, directivity.error_estimate, strict=True):
    print("{:13.0f} {:11.2f} {:20.1f} {:21.4f}".format(*row))
