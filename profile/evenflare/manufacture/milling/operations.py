"""What a router cuts of a part besides wall and seat, and what of it no tool at hand does."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import check_volume
from evenflare.manufacture.milling.drilling import countersinks, front_holes, pins
from evenflare.manufacture.milling.facing import spare_stock
from evenflare.manufacture.milling.outside_milled import (
    BACK_FINE,
    BACK_ROUGH,
    FINE,
    ROUGH,
    held_of,
    outside_finishing,
    outside_roughing,
)
from evenflare.manufacture.milling.outside_sides import milled_side
from evenflare.manufacture.milling.profile import edge, profile, rebate, slot_width
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.turning import bore_radius
from evenflare.manufacture.milling.turning_outside import (
    OUTSIDE,
    OUTSIDE_BACK,
    TURNED_BACK,
    outside,
    outside_back,
    turned_back,
)
from evenflare.manufacture.part.bolts import front_places
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sides import OblongSide, oblong_sides
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rim import Footprint, rim_of
from evenflare.manufacture.part.sides import Side, sides_of
from evenflare.manufacture.process.types import HoldDown, Process
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import mm

PINS, HOLES, COUNTERSINKS = "pins", "front_holes", "countersinks"
PROFILE, REBATE, EDGE = "profile", "rebate", "edge"
OUTSIDE_FRONT, AFTER_FLIP = (ROUGH, FINE), (BACK_ROUGH, BACK_FINE)
"""Of a body's outside."""
OPERATIONS = (PINS, HOLES, COUNTERSINKS, PROFILE, REBATE, EDGE, *OUTSIDE_FRONT, *AFTER_FLIP)
"""Names of programs, in the order in which they run; the pins before roughing, the others after finishing, those of
AFTER_FLIP after the driver's seat."""
LATHE_OPERATIONS = (OUTSIDE, TURNED_BACK, OUTSIDE_BACK)
"""The same of a lathe: the first before the wall is turned, the others after it, each in a chucking of its own."""
MIDDLE = 0.5
"""Of a body that is as wide over a stretch, the share that a router cuts from the front; a lathe turns all of it."""


class Operations(NamedTuple):
    """programs : in their order. left : what is in no program though the part has it, and why, in words."""

    programs: tuple[Program, ...]
    left: tuple[str, ...]


def operations(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes, features: Features) -> Operations:
    """The programs of a router from the front besides roughing and finishing. A tool that does not do costs its own
    program, and those that follow from it, and no other.
    """
    rim, thick, whole = rim_of(sizes), thickness(waveguide, process, sizes), sizes.kind == "block"
    hold = process.hold_down if process.profile_tool else None
    spoiled = whole and spare_stock(waveguide, process) == 0.0
    made, left = dict[str, Program](), list[str]()

    def tried(name: str, what: str, make: Callable[[], Program]) -> None:
        try:
            program = make()
            check_volume(process, program, (2.0 * rim.half[0], 2.0 * rim.half[1], thick))
            made[name] = program
        except InputError as error:
            left.append(f"{what} is in no program: {error}")

    front = features.front
    places = front_places(sizes, front)
    if hold is not None and sizes.kind == "body":
        try:
            sides = sides_in(waveguide, sizes, share=MIDDLE)
        except InputError as error:
            left.append(f"the outside is in no program: {error}")
            sides = ()
        for side, names in zip(map(milled_side, sides), (OUTSIDE_FRONT, AFTER_FLIP), strict=False):
            faced = 0.0 if side.end == "front" or not process.facing_tool else spare_stock(waveguide, process)
            held, what = held_of(process, hold, side), f"the outside from the {side.end}"
            if side.end == "back" and FINE not in made:
                left.append(f"{what} is in no program: it comes after the one from the front")
                continue
            tried(names[0], what, partial(outside_roughing, process, hold, side, held, faced=faced))
            if names[0] in made:
                tried(names[1], what, partial(outside_finishing, process, hold, side, held, faced=faced))
        if hold.pin_diameter > 0.0 and FINE in made:
            tried(
                PINS,
                "a hole for the flip's pins",
                lambda: pins(process, hold, rim, thick=stock_height(waveguide, process)),
            )
    elif hold is not None:
        held_down = hold
        tried(
            PROFILE,
            "the outside",
            lambda: _profile(process, held_down, rim, features, thick=thick, whole=whole, spoiled=spoiled),
        )
        if hold.pin_diameter > 0.0 and PROFILE in made:
            tried(
                PINS,
                "a hole for the flip's pins",
                lambda: pins(process, held_down, rim, thick=stock_height(waveguide, process)),
            )
    if front.count:
        tried(HOLES, "a hole of the front", lambda: front_holes(process, front, places, thick=thick, spoiled=spoiled))
        if front.countersink > 0.0 and HOLES in made:
            tried(COUNTERSINKS, "a countersink of the front", lambda: countersinks(process, front, places))
    if features.edge_radius > 0.0 and process.edge_tool and PROFILE in made:
        tried(EDGE, "the front's rounded edge", lambda: edge(process, rim, features))
    elif features.edge_radius == 0.0 and features.has_rim and process.rebate_tool and PROFILE in made:
        tried(REBATE, "the rebate round the front", lambda: rebate(process, rim, features))
    return Operations(tuple(made[name] for name in OPERATIONS if name in made), tuple(left))


def lathe_operations(waveguide: Waveguide, process: Process, sizes: Sizes, features: Features) -> Operations:
    """The programs of a lathe besides the wall's. Errors: InputError if a bar does not pass the throat."""
    made, left = list[Program](), list[str]()
    radius, bore = 0.5 * sizes.flange_diameter, bore_radius(waveguide, process)
    thick = thickness(waveguide, process, sizes)
    height = waveguide.depth + process.seat.depth
    if process.outside_tool:
        deep = thick + (process.parting if sizes.kind != "shell" else 0.0)
        try:
            front, behind = sides_of(waveguide.meridian, sizes.body, share=1.0) if sizes.body else (None, None)
            whole = sizes.kind != "shell"
            made.append(outside(process, radius, features, thick=deep, bore=bore, whole=whole, side=front))
        except InputError as error:
            left.append(f"the outside is in no program: {error}")
            behind = None
    else:
        behind = None
    if process.back_tool and process.seat.is_cut:
        throat = waveguide.meridian.throat_radius
        try:
            widest = None if behind is None else -behind.lowest
            made.append(turned_back(process, process.seat, radius, height=height, throat=throat, widest=widest))
        except InputError as error:
            left.append(f"the driver's recess is in no program: {error}")
    if behind is not None:
        try:
            made.append(outside_back(process, behind, height=height, seat=process.seat))
        except InputError as error:
            left.append(f"the outside from the back is in no program: {error}")
    return Operations(tuple(made), tuple(left))


def _profile(
    process: Process, hold: HoldDown, rim: Footprint, features: Features, *, thick: float, whole: bool, spoiled: bool
) -> Program:
    needed = slot_width(process) + MILLIMETRE
    if hold.margin < needed:
        raise InputError(
            f"[hold_down] margin_mm = {mm(hold.margin)}: must be at least {mm(needed)}, the slot's width and 1."
            " Widen it, or take a thinner profile_tool"
        )
    size = process.stock.size
    if size is not None and any(
        side < 2.0 * (half + hold.margin) - 1e-9 for side, half in zip(size, rim.half, strict=False)
    ):
        raise InputError(
            f"[stock] size_mm: must be at least {mm(2 * (rim.half[0] + hold.margin))} by"
            f" {mm(2 * (rim.half[1] + hold.margin))} for the part and its margin_mm. Take a larger block"
        )
    return profile(process, hold, rim, features, thick=thick, whole=whole, spoiled=spoiled)


def thickness(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> float:
    """m, of what is cut round and drilled through: the part's height, of a shell its flange's."""
    return sizes.flange_thickness if sizes.kind == "shell" else waveguide.depth + process.seat.depth


def sides_in(
    waveguide: Waveguide, sizes: Sizes | OblongSizes, *, share: float
) -> tuple[()] | tuple[Side, Side] | tuple[OblongSide, OblongSide]:
    """Front and back of the outside of a body; none of another part. share, errors : see sides_of, oblong_sides."""
    if sizes.body is None:
        return ()
    if isinstance(sizes, OblongSizes):
        return oblong_sides(sizes.body)
    return sides_of(waveguide.meridian, sizes.body, share=share)


def stock_height(waveguide: Waveguide, process: Process) -> float:
    """m, of the stock: of what a shell is cut from too, all of the part."""
    return waveguide.depth + process.seat.depth + spare_stock(waveguide, process)


def tab_places(process: Process, sizes: Sizes | OblongSizes) -> FloatArray:
    """(N, 2), m, of the tabs that the profile leaves."""
    hold = process.hold_down
    count = hold.tabs if hold is not None and hold.kind == "tabs" and sizes.kind == "block" else 0
    return rim_of(sizes).even_places(count)
