"""Where bolts and screws go into a part, and how deep."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.features import FrontHoles
from evenflare.manufacture.part.oblong_sizes import OblongSizes, around_rectangle
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.process.types import DriverSeat
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.words import mm

LAND = 2 * MILLIMETRE
"""That holes keep from the waveguide's wall, and the recess from the part's outside."""

SHALLOWEST = 5 * MILLIMETRE
"""Of a hole that holds a bolt."""


def bolt_places(seat: DriverSeat) -> list[tuple[float, float]]:
    """(x, y) in m of the driver's bolts, seen from the mouth."""
    turn = 2.0 * np.pi * np.arange(seat.bolts) / max(seat.bolts, 1)
    x, y = 0.5 * seat.bolt_circle * np.cos(turn), 0.5 * seat.bolt_circle * np.sin(turn)
    return list(zip(x.tolist(), y.tolist(), strict=True))


def front_places(sizes: Sizes | OblongSizes, front: FrontHoles) -> list[tuple[float, float]]:
    """(x, y) in m of the front's holes, counter-clockwise seen from the front.

    Evenly round a round outside, the first on +x; round a rectangle one in each corner, the others even between them.
    Errors : InputError for a number that does not go round a rectangle.
    """
    if sizes.flange_diameter is None:
        width, height = sizes.flange_width or 0.0, sizes.flange_height or 0.0
        return list(around_rectangle(front.count, width - 2 * front.inset, height - 2 * front.inset, key="front_bolts"))
    turn = 2.0 * np.pi * np.arange(front.count) / max(front.count, 1)
    radius = 0.5 * sizes.flange_diameter - front.inset
    return list(zip((radius * np.cos(turn)).tolist(), (radius * np.sin(turn)).tolist(), strict=True))


def hole_depth(waveguide: Waveguide, seat: DriverSeat, *, land: float = LAND) -> float:
    """m, of the bolts' holes from the seat's floor: as asked, or less to keep a land to the wall.

    Errors : InputError if that is below SHALLOWEST.
    """
    free = 0.5 * (seat.bolt_circle - seat.hole_diameter) - land
    meridians = (
        (waveguide.meridian,) if waveguide.is_round else (waveguide.surface.horizontal, waveguide.surface.vertical)
    )
    room = seat.hole_depth
    for meridian in meridians:
        dense = meridian.dense
        near = dense.r > free
        if near.any():
            room = min(room, float(dense.z[near].min()) - land)
    if room < SHALLOWEST:
        raise InputError(
            f"{seat.stated}bolt_circle_mm = {mm(seat.bolt_circle)}: with a land of {mm(land)} to"
            f" the wall holes may be {mm(max(0.0, room))} deep only, less than {mm(SHALLOWEST)}. Widen the circle,"
            " make the holes smaller, or leave them out"
        )
    return room


def check_diameter(waveguide: Waveguide, seat: DriverSeat, *, across: float) -> None:
    """InputError unless a seat lies between the driver's exit and the outside of a part that measures `across` (m)."""
    low, high = 2.0 * (waveguide.driver.exit_radius + LAND), across - 2.0 * LAND
    if not low <= seat.diameter <= high:
        raise InputError(
            f"{seat.stated}diameter_mm = {mm(seat.diameter)}: must be {mm(low)} to {mm(high)}, between the driver's"
            " exit and the part's outside. Correct it"
        )
