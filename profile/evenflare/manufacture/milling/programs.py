"""All programs of one part on one process, checked against tools, stock and machine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import (
    check_nose,
    check_reach,
    check_shape,
    check_stock,
    check_volume,
    hollows_left,
    wall_cloud,
    within_reach,
)
from evenflare.manufacture.milling.facing import FACING_BACK, facing_back, spare_stock
from evenflare.manufacture.milling.finishing import SEMI, finishing, grown, ridges_of, semi_finishing
from evenflare.manufacture.milling.operations import AFTER_FLIP, PINS, Operations, lathe_operations, operations
from evenflare.manufacture.milling.outside_milled import slot_beside
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.rest import REST, rest
from evenflare.manufacture.milling.roughing import roughing
from evenflare.manufacture.milling.seat import BACK, DRIVER_HOLES, back, back_up, driver_holes
from evenflare.manufacture.milling.side_edge import with_edges
from evenflare.manufacture.milling.start_end import parked
from evenflare.manufacture.milling.turning import bore_radius, turning
from evenflare.manufacture.milling.turning_outside import FACING, OUTSIDE, parting_words
from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rim import rim_of
from evenflare.manufacture.process.full_stock import cuts_outside, stock_radius
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.wall.closed import stays_words
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide


class PartPrograms(NamedTuple):
    """The programs of a part in the order in which they run, a line on each that cannot be made, name and why, and what
    else of the part is in no program because a tool does not do, in words.
    """

    programs: tuple[Program, ...] = ()
    left_out: tuple[str, ...] = ()
    left: tuple[str, ...] = ()


def programs(
    waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes, features: Features = PLAIN
) -> PartPrograms:
    """The programs of a part: of a router "pins", "roughing", "rest" and "semi_finishing" if it has tools for them,
    "finishing", the front's other operations, "facing_back" where the stock is too thick and, where there is a seat,
    "back" and, where its holes need a tool of their own, "driver_holes"; of a lathe "turning", after "turning_roughing"
    if that has its own tool, with "outside" before them and "turning_back" after them; none of a process that makes
    none.

    In hollows of a round wall that the finishing tool does not reach stock stays, if the process leaves it; `left` says
    where. A tool that is too large, too thick or too short costs its own program, and those that count on it: finishing
    never runs on stock that was not roughed.
    sizes, features : of the part's outside, and what is cut from it.
    Errors : InputError with the place, and what would do, where no program can be made: the wall hides from the mouth,
             the stock or the machine is too small, the part not round on a lathe.
    """
    if not process.makes_programs:
        return PartPrograms()
    turned = "lathe_programs" in process.makes
    x, y = extent(sizes)
    part = (x, y, waveguide.depth + process.seat.depth)
    if turned and not waveguide.is_round:
        raise InputError(
            f'process "{process.name}" [machine] kind = "lathe": turns round parts only, and this waveguide is oblong.'
            " Take --process router"
        )
    check_shape(waveguide)
    check_stock(process, part)
    wall, whole = wall_cloud(waveguide), waveguide
    waveguide, stays = within_reach(waveguide, process)
    stay = stays_words(stays, process.finishing_tool)
    if turned:
        assert isinstance(sizes, Sizes)  # of a round part
        try:
            check_nose(waveguide, process.tool(process.finishing_tool), wall)
            others = lathe_operations(waveguide, process, sizes, features)
            first, then = _parted(others, OUTSIDE)
            made = turning(waveguide, process, behind=process.seat.depth, after=OUTSIDE if first else "")
            made = with_edges(made, process.machine, bore=bore_radius(waveguide, process))
        except InputError as error:
            return PartPrograms(left_out=(f"turning: left out. {error}",))
        *rough, last = made
        off = parting_words(process, height=part[2]) if first and sizes.kind != "shell" else []
        made = (*rough, replace(last, setup=(*last.setup, *stay, *off)))
        return PartPrograms(_fitting((*first, *made, *then), process, part), left=(*stay, *others.left, *_left(sizes)))

    ridges_of(process)

    others = operations(waveguide, process, sizes, features)
    first, then = _parted(others, PINS)
    found, left_out = list(first), list[str]()

    even_wall, hollows = hollows_left(waveguide, grown(process)) if process.semi_finishing_tool else (waveguide, ())

    def rested() -> Program | None:
        return rest(waveguide, process) if process.rest_tool else None

    def evened() -> Program | None:
        if not process.semi_finishing_tool:
            return None
        check_nose(even_wall, grown(process), wall)
        return semi_finishing(even_wall, process, wall, after=found[-1].name)

    def finished() -> Program:
        check_nose(waveguide, process.tool(process.finishing_tool), wall)
        if any(line.startswith(f"{REST}:") for line in left_out):
            raise InputError(f"it comes after {REST}, which is left out")
        even = SEMI in [each.name for each in found]
        more = max((each.thick for each in hollows), default=0.0)
        program = finishing(waveguide, process, wall, after=found[-1].name, even=even, more=more)
        return replace(program, setup=(*program.setup, *stay))

    def framed() -> float:
        return spare_stock(waveguide, process) if FACING_BACK in [each.name for each in found] else 0.0

    def seated() -> Program | None:
        return back(whole, process, across=min(x, y), pinned=bool(first), faced=framed())

    def faced_back() -> Program | None:
        slot = slot_beside(process) if any(each.name in AFTER_FLIP for each in then) else 0.0
        return facing_back(whole, process, rim_of(sizes), whole=sizes.kind == "block", beside=slot, pinned=bool(first))

    def behind_before() -> str:
        return next((each.name for each in reversed(found) if each.name in behind), "")

    def holed() -> Program | None:
        return driver_holes(whole, process, across=min(x, y), pinned=bool(first), after=behind_before(), faced=framed())

    behind = (FACING_BACK, BACK, DRIVER_HOLES)
    steps: list[tuple[str, Callable[[], Program | None], str]] = [
        ("roughing", lambda: roughing(waveguide, process), ""),
        (REST, rested, "roughing" if process.rest_tool else ""),
        (SEMI, evened, "roughing" if process.semi_finishing_tool else ""),
        ("finishing", finished, "roughing"),
        (FACING_BACK, faced_back, ""),
        (BACK, seated, ""),
        (DRIVER_HOLES, holed, ""),
    ]
    for name, step, after in steps:
        if name == FACING_BACK:
            found += [each for each in then if each.name not in AFTER_FLIP]
        try:
            if after and after not in [each.name for each in found]:
                raise InputError(f"it comes after {after}, which is left out")
            program = step()
            if program is not None:
                if name not in behind:
                    check_reach(waveguide, program)
                found.append(program)
        except InputError as error:
            left_out.append(f"{name}: left out. {error}")
    for number, program in enumerate(each for each in then if each.name in AFTER_FLIP):
        lies = back_up(whole, process.seat, after=behind_before(), pinned=bool(first), faced=framed())
        found.append(program if number else replace(program, setup=(*lies, *program.setup)))
    if "finishing" not in [each.name for each in found]:
        stay = []
    return PartPrograms(_fitting(found, process, part), tuple(left_out), (*stay, *others.left, *_left(sizes)))


def _left(sizes: Sizes | OblongSizes) -> list[str]:
    """What of a part of that kind no program is made for, in words."""
    if sizes.kind != "shell":
        return []
    return [
        "in no program: the shell's outside behind its flange and the back of the flange. The programs leave them in"
        " the stock, which goes on to the part's back: saw and turn or mill them by the drawing, or have the solid cast"
        " or printed"
    ]


def _parted(others: Operations, early: str) -> tuple[tuple[Program, ...], tuple[Program, ...]]:
    """The operation of that name, which runs before the wall's programs, and those after them."""
    return (
        tuple(each for each in others.programs if each.name == early),
        tuple(each for each in others.programs if each.name != early),
    )


def _fitting(made: Sequence[Program], process: Process, part: Sequence[float]) -> tuple[Program, ...]:
    """Programs that end parked. InputError if one is larger than the machine."""
    found = tuple(parked(program, process.machine) for program in made)
    for program in found:
        check_volume(process, program, part)
    return found


def stock_size(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> tuple[float, float, float]:
    """m, of the stock that a part is cut from, at least: x, y and z; on a lathe x and y are its diameter."""
    x, y = extent(sizes)
    z = waveguide.depth + process.seat.depth
    if process.hold_down is not None and cuts_outside(process) == "router":
        return x + 2.0 * process.hold_down.margin, y + 2.0 * process.hold_down.margin, z
    if cuts_outside(process) == "lathe":
        wide = 2.0 * stock_radius(process, 0.5 * x)
        return wide, wide, z + FACING + process.parting
    return x, y, z


def stock_needed(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> str:
    """The same in words; mm."""
    x, y, z = stock_size(waveguide, process, sizes)
    if "lathe_programs" in process.makes:
        return f"stock: diameter {x / MILLIMETRE:.1f}, length {z / MILLIMETRE:.1f} and what the chuck holds"
    across = f"{x / MILLIMETRE:.1f} x {y / MILLIMETRE:.1f}"
    spare = spare_stock(waveguide, process) if process.facing_tool else 0.0
    if spare:  # Its levels begin at that height.
        return f"stock: block of {across} or larger, {(z + spare) / MILLIMETRE:.1f} high, neither more nor less"
    return f"stock: block of {across} x {z / MILLIMETRE:.1f} or larger"
