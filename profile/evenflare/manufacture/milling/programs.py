"""All programs of one part on one process, checked against tools, stock and machine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import (
    check_nose,
    check_reach,
    check_shape,
    check_stock,
    check_volume,
    wall_cloud,
)
from evenflare.manufacture.milling.finishing import SEMI, finishing, grown, ridges_of, semi_finishing
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.roughing import roughing
from evenflare.manufacture.milling.seat import back
from evenflare.manufacture.milling.side_edge import with_edges
from evenflare.manufacture.milling.start_end import parked
from evenflare.manufacture.milling.turning import bore_radius, turning
from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide


class PartPrograms(NamedTuple):
    """The programs of a part in the order in which they run, and a line on each that cannot be made: name and why."""

    programs: tuple[Program, ...] = ()
    left_out: tuple[str, ...] = ()


def programs(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> PartPrograms:
    """The programs of a part: of a router "roughing", "semi_finishing" if it has a tool, "finishing" and, where there
    is a seat, "back"; of a lathe "turning", after "turning_roughing" if that has its own tool; none of a process that
    makes none.

    A tool that is too large, too thick or too short costs its own program, and those that count on it: finishing never
    runs on stock that was not roughed.
    sizes  : of the part's outside.
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
    wall = wall_cloud(waveguide)
    if turned:
        try:
            check_nose(waveguide, process.tool(process.finishing_tool), wall)
            made = turning(waveguide, process, behind=process.seat.depth)
            made = with_edges(made, process.machine, bore=bore_radius(waveguide, process))
        except InputError as error:
            return PartPrograms(left_out=(f"turning: left out. {error}",))
        return PartPrograms(_fitting(made, process, part))

    ridges_of(process)

    found, left_out = list[Program](), list[str]()

    def evened() -> Program | None:
        if not process.semi_finishing_tool:
            return None
        check_nose(waveguide, grown(process), wall)
        return semi_finishing(waveguide, process, wall)

    def finished() -> Program:
        check_nose(waveguide, process.tool(process.finishing_tool), wall)
        even = SEMI in [each.name for each in found]
        return finishing(waveguide, process, wall, even=even)

    steps: list[tuple[str, Callable[[], Program | None], str]] = [
        ("roughing", lambda: roughing(waveguide, process), ""),
        (SEMI, evened, "roughing" if process.semi_finishing_tool else ""),
        ("finishing", finished, "roughing"),
        ("back", lambda: back(waveguide, process, across=min(x, y)), ""),
    ]
    for name, step, after in steps:
        try:
            if after and after not in [each.name for each in found]:
                raise InputError(f"it comes after {after}, which is left out")
            program = step()
            if program is not None:
                if name != "back":
                    check_reach(waveguide, program)
                found.append(program)
        except InputError as error:
            left_out.append(f"{name}: left out. {error}")
    return PartPrograms(_fitting(found, process, part), tuple(left_out))


def _fitting(made: Sequence[Program], process: Process, part: Sequence[float]) -> tuple[Program, ...]:
    """Programs that end parked. InputError if one is larger than the machine."""
    found = tuple(parked(program, process.machine) for program in made)
    for program in found:
        check_volume(process, program, part)
    return found


def stock_needed(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> str:
    """The stock that a part is cut from, at least, in words; mm."""
    x, y = extent(sizes)
    z = waveguide.depth + process.seat.depth
    if "lathe_programs" in process.makes:
        return f"stock: diameter {x / MILLIMETRE:.1f}, length {z / MILLIMETRE:.1f} and what the chuck holds"
    return f"stock: block of {x / MILLIMETRE:.1f} x {y / MILLIMETRE:.1f} x {z / MILLIMETRE:.1f} or larger"
