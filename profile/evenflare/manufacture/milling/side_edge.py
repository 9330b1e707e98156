"""How much of an insert's side edge a turning program needs: its length in the material, cut in software."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.compiled import njit
from evenflare.files import InputError
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Machine
from evenflare.units import DEGREE, MILLIMETRE, BoolArray, FloatArray

CELL = 0.02 * MILLIMETRE
STEP = 0.02 * MILLIMETRE
"""Between places of the tool that are looked at."""
SKIN = 2e-6
"""m, of material that is no cut: rounding, and the ridges of the pass before."""


def side_edges(programs: tuple[Program, ...], machine: Machine, *, bore: float) -> list[float]:
    """m, the longest piece of the side edge that meets material in each turning program, from the nose's tip; 0 where
    the nose alone cuts.

    The edge starts where the nose ends and leans away from the feed along the axis by the tool's edge angle less a
    right angle. Programs run one after the other on stock whose front is at z = 0.
    bore : m, radius of the hole drilled before. To within CELL and STEP.
    """
    widest = max(float(each.position[:, 0].max()) + each.tool.corner_radius for each in programs)
    heights = np.where(CELL * np.arange(int(widest / CELL) + 2) < bore, -np.inf, 0.0)
    return [_longest(heights, each, machine) for each in programs]


def _longest(heights: FloatArray, program: Program, machine: Machine) -> float:
    nose, lean = program.tool.corner_radius, program.tool.edge_angle - 90 * DEGREE
    centre = np.array(program.position[:, [0, 2]])
    if machine.programmed_point == "imaginary_tip":
        centre += np.array([-nose, nose])
    return float(_swept(heights, centre, np.array(program.rapid), nose, lean, CELL, STEP, SKIN))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _swept(
    heights: FloatArray,
    centre: FloatArray,
    rapid: BoolArray,
    nose: float,
    lean: float,
    cell: float,
    step: float,
    skin: float,
) -> float:
    """The longest edge in material; `heights` (R,), m, of the material's top at cell * k off the axis, are cut."""
    longest = 0.0
    for row in range(1, centre.shape[0]):
        way_r, way_z = centre[row, 0] - centre[row - 1, 0], centre[row, 1] - centre[row - 1, 1]
        count = max(1, int(np.ceil(np.hypot(way_r, way_z) / step)))
        for k in range(1, count + 1):
            r, z = centre[row - 1, 0] + way_r * k / count, centre[row - 1, 1] + way_z * k / count
            if z - nose > 0.0:
                continue
            # Where the edge leaves the nose.
            begin_r, begin_z = r - nose * np.sin(lean), z - nose * np.cos(lean)
            for i in range(min(int((r + nose) / cell), heights.size - 1), -1, -1):
                here = cell * i
                if here >= begin_r:
                    low = z - np.sqrt(max(nose * nose - (here - r) ** 2, 0.0))
                else:
                    low = begin_z + (begin_r - here) * np.tan(lean)
                    if heights[i] <= low + skin:
                        break
                    if not rapid[row]:
                        longest = max(longest, (r + nose - here) / np.cos(lean))
                heights[i] = min(heights[i], low)
    return longest


def with_edges(programs: tuple[Program, ...], machine: Machine, *, bore: float) -> tuple[Program, ...]:
    """Turning programs that say in their set-up how long a side edge they need, rounded up to a tenth of a millimetre.

    bore   : m, as `side_edges`.
    Errors : InputError if an insert's edge is shorter than that.
    """
    stated = []
    for program, edge in zip(programs, side_edges(programs, machine, bore=bore), strict=True):
        tool, needed = program.tool, np.ceil(edge / MILLIMETRE * 10.0 - 1e-6) / 10.0
        if 0.0 < tool.edge_length < needed * MILLIMETRE - 1e-12:
            raise InputError(
                f'tool "{tool.name}" edge_length_mm = {tool.edge_length / MILLIMETRE:g}: {program.name} meets material'
                f" with {needed:.1f} of the insert's side edge: must be at least that. Take another insert, or lower"
                " stepdown_mm or stock_left_mm"
            )
        has = f", and it has {tool.edge_length / MILLIMETRE:g}" if tool.edge_length else ": see that it has"
        line = (
            f"insert: its side edge cuts up to {needed:.1f} from the tip, at {tool.edge_angle / DEGREE:g} deg to the"
            f" feed along the axis{has}"
        )
        stated.append(replace(program, setup=(*program.setup, line)))
    return tuple(stated)
