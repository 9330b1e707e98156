"""All programs of one part on one process, checked against tools, stock and machine."""

from __future__ import annotations

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import (
    check_nose,
    check_reach,
    check_shape,
    check_stock,
    check_volume,
    wall_cloud,
)
from evenflare.manufacture.milling.finishing import finishing
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


def programs(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> tuple[Program, ...]:
    """The programs of a part in the order in which they run: of a router "roughing", "finishing" and, where there is a
    seat, "back"; of a lathe "turning", after "turning_roughing" if that has its own tool; none of a process
    that makes none.

    sizes  : of the part's outside.
    Errors : InputError with the place, and what would do: the wall hides from the mouth or is narrower than the cutter,
             shank or holder meet it, the tool is too short, stock or machine too small, the part not round on a lathe.
    """
    if not process.makes_programs:
        return ()
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
    check_nose(waveguide, process.tool(process.finishing_tool), wall)
    if turned:
        made = turning(waveguide, process, behind=process.seat.depth)
        made = with_edges(made, process.machine, bore=bore_radius(waveguide, process))
    else:
        front = (roughing(waveguide, process), finishing(waveguide, process, wall))
        for program in front:
            check_reach(waveguide, program)
        flipped = back(waveguide, process, across=min(x, y))
        made = front if flipped is None else (*front, flipped)
    made = tuple(parked(program, process.machine) for program in made)
    for program in made:
        check_volume(process, program, part)
    return made


def stock_needed(waveguide: Waveguide, process: Process, sizes: Sizes | OblongSizes) -> str:
    """The stock that a part is cut from, at least, in words; mm."""
    x, y = extent(sizes)
    z = waveguide.depth + process.seat.depth
    if "lathe_programs" in process.makes:
        return f"stock: diameter {x / MILLIMETRE:.1f}, length {z / MILLIMETRE:.1f} and what the chuck holds"
    return f"stock: block of {x / MILLIMETRE:.1f} x {y / MILLIMETRE:.1f} x {z / MILLIMETRE:.1f} or larger"
