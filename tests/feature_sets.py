"""Sets of what is cut from a part besides its wall, as a design states them; shared by tests."""

from evenflare.units import MILLIMETRE as MM

SEAT = {
    "seat_diameter": 88 * MM,
    "seat_clearance": 1 * MM,
    "seat_depth": 3 * MM,
    "seat_bolt_circle": 76.2 * MM,
    "seat_bolts": 3,
    "seat_hole_diameter": 5 * MM,
    "seat_hole_depth": 8 * MM,
}
REBATE = {"rebate_width": 7 * MM, "rebate_depth": 4 * MM}
EDGE = {"edge_radius": 4 * MM}
SETS = {"seat": SEAT, "rebate": REBATE, "edge": EDGE, "seat and edge": SEAT | EDGE, "seat and rebate": SEAT | REBATE}
