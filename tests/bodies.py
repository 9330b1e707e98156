"""Free-standing waveguides that several tests and the benchmark share."""

from __future__ import annotations

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    Body,
    Conical,
    Driver,
    Mounting,
    OblateSpheroidal,
    RolledShell,
    RoundCabinet,
    Shape,
    Waveguide,
)

MM = MILLIMETRE
ROUNDED = OblateSpheroidal(0.1, 40 * DEGREE, 0.02)


def standing(shape: Shape, body: Body) -> Waveguide:
    """A waveguide in a body of its own."""
    return Waveguide(shape, Driver(), Mounting(body=body))


BODIES = {
    "cabinet, rounded edges": standing(ROUNDED, RoundCabinet(300 * MM, 250 * MM, 20 * MM)),
    "cabinet, sharp edges": standing(ROUNDED, RoundCabinet(260 * MM, 180 * MM)),
    "rolled shell": standing(OblateSpheroidal(0.1, 45 * DEGREE), RolledShell(20 * MM, 120 * MM, 60 * MM, 15 * MM)),
    "thin shell": standing(Conical(0.1, 45 * DEGREE), RolledShell(3 * MM, 70 * MM, 20 * MM, 5 * MM)),
}
""" "cabinet, rounded edges": 300 mm across; the rolled shell is 255 mm."""
