"""Free-standing waveguides, and designs of bodies made whole, that several tests and the benchmark share."""

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

ROLLED = """
name = "free roll"
[waveguide]
family = "conical"
depth_mm = 70
wall_angle_deg = 40
roundover_radius_mm = 12
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "free_standing"
outline = "rolled_shell"
rim_radius_mm = 18
back_diameter_mm = 120
back_depth_mm = 45
back_edge_radius_mm = 5
[solid]
kind = "body"
seat_diameter_mm = 90
seat_bolts = 4
seat_bolt_circle_mm = 76
seat_hole_depth_mm = 8
"""
CYLINDER = ROLLED[: ROLLED.index("outline =")] + (
    'outline = "round_cabinet"\ndiameter_mm = 200\ndepth_mm = 120\nedge_radius_mm = 12\n'
    '[solid]\nkind = "body"\nseat_diameter_mm = 90\n'
)
