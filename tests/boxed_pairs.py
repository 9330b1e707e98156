"""Invented waveguides in boxes, round and oblong, on which the march and the judge in three dimensions are compared."""

from __future__ import annotations

from evenflare.units import DEGREE
from evenflare.waveguide import Cabinet, Conical, Driver, OblateSpheroidal, Oblong, Waveguide
from evenflare.waveguide.cabinet import Edge

OBLONG = Oblong(OblateSpheroidal(0.07, 43.5 * DEGREE, 0.012), OblateSpheroidal(0.07, 27 * DEGREE, 0.012))
CONES = Oblong(Conical(0.1, 41 * DEGREE), Conical(0.1, 25.3 * DEGREE))
PAIRS = {
    "round, in the middle, cap and mixed edges": (
        Waveguide(Conical(0.06, 45 * DEGREE), Driver(exit_half_angle=20 * DEGREE)),
        Cabinet(0.24, 0.38, 0.3, Edge(0.03), Edge(0.015)),
    ),
    "oblong, above the middle, rounded": (
        Waveguide(OBLONG),
        Cabinet(0.3, 0.45, 0.3, Edge(0.02), Edge(0.02), 0.0, 0.09),
    ),
    "oblong cones, sharp": (Waveguide(CONES), Cabinet(0.3, 0.45, 0.3)),
}
MORE = {
    "cone, above the middle, sharp": (Waveguide(Conical(0.07, 45 * DEGREE)), Cabinet(0.24, 0.38, 0.3, y=0.08)),
    "oblong, aside, sharp and rounded": (
        Waveguide(OBLONG),
        Cabinet(0.24, 0.3, 0.2, Edge(), Edge(0.015), 0.02, 0.06),
    ),
    "wide oblong, rounded": (
        Waveguide(Oblong(OblateSpheroidal(0.1, 43.5 * DEGREE, 0.012), OblateSpheroidal(0.1, 27 * DEGREE, 0.012))),
        Cabinet(0.3, 0.45, 0.3, Edge(0.02), Edge(0.02)),
    ),
}
"""That take longer."""
