"""Whether tool, holder, machine and stock suffice: each fault with its place and what would do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.wall.closed import Stays, reached
from evenflare.manufacture.wall.oblong_closed import ReachedOblong, oblong_reached
from evenflare.manufacture.wall.oblong_offset import CREASE, largest_ball
from evenflare.manufacture.wall.offset import NoRoomError, Reach, largest_tool_radius, too_large
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.cloud import Cloud, cloud

APART = 1 * MILLIMETRE
"""That shank and holder keep from the wall, along the axis and across."""
WALL_STEP = 2 * MILLIMETRE
"""Between the points of the wall that shank and holder are held against."""
_TIPS = 600
_LEVEL = 1e-6


def check_shape(waveguide: Waveguide) -> None:
    """InputError if the wall hides from the mouth anywhere: a straight tool does not reach it."""
    if not waveguide.is_round:
        return  # Sections follow one another along the axis, and `check_reach` finds where they narrow.
    wall = waveguide.meridian.dense
    hidden = (wall.angle < -_LEVEL) | (wall.angle > 0.5 * np.pi + _LEVEL)
    if hidden.any():
        raise InputError(
            f"[waveguide] the wall lies hidden from the mouth from z_mm = {wall.z[hidden.argmax()] / MILLIMETRE:.4g}:"
            " a straight tool does not reach it. Open the wall, or take --process sheets"
        )


def check_nose(waveguide: Waveguide, tool: Tool, wall: Cloud | None) -> Reach:
    """The largest ball or nose for the wall. InputError if the tool's is larger, with the place and what would do."""
    reach = largest_tool_radius(waveguide.meridian) if wall is None else largest_ball(waveguide.surface, wall)
    hollows = waveguide.shape.hollows if isinstance(waveguide.shape, ReachedOblong) else None
    if (hollows and tool.corner_radius <= hollows.radius + 1e-12) or tool.corner_radius <= reach.radius + 1e-12:
        return reach
    key, factor = ("corner_radius_mm", 1.0) if tool.kind == "turning" else ("diameter_mm", 2.0)
    place = f"z_mm = {reach.z / MILLIMETRE:.4g}"
    if reach.azimuth is not None:
        place += f", azimuth_deg = {reach.azimuth / DEGREE:.3g}"
    given = f'tool "{tool.name}" {key} = {factor * tool.corner_radius / MILLIMETRE:g}'
    refused = too_large(given, reach, place, factor=factor)
    _, stays = _closed_by(waveguide, tool)
    if not stays:
        raise refused
    thick = np.ceil(100.0 * max(each.thick for each in stays) / MILLIMETRE) / 100.0
    raise NoRoomError(f"{refused}, or raise leave_at_most_mm to {thick:g}: so much stock would stay there")


def within_reach(waveguide: Waveguide, process: Process) -> tuple[Waveguide, tuple[Stays, ...]]:
    """The wall as the finishing tool leaves it, and what stays in hollows that it does not reach; the wall itself where
    it reaches all, or where more would stay than the process leaves.
    """
    if not process.finishing_tool or process.leave_at_most == 0.0:
        return waveguide, ()
    return hollows_left(waveguide, process.tool(process.finishing_tool), at_most=process.leave_at_most)


def hollows_left(waveguide: Waveguide, tool: Tool, *, at_most: float = np.inf) -> tuple[Waveguide, tuple[Stays, ...]]:
    """The same of any tool with a round end; at_most : m."""
    found, stays = _closed_by(waveguide, tool)
    if max((each.thick for each in stays), default=0.0) > at_most:
        return waveguide, ()
    return found, stays


def _closed_by(waveguide: Waveguide, tool: Tool) -> tuple[Waveguide, tuple[Stays, ...]]:
    """The wall as a tool leaves it, and what stays in its hollows; the wall where it reaches all, or finds no room."""
    wall = wall_cloud(waveguide)
    reach = largest_tool_radius(waveguide.meridian) if wall is None else largest_ball(waveguide.surface, wall)
    if tool.corner_radius <= reach.radius + 1e-12 or reach.reason == CREASE:
        return waveguide, ()
    try:
        close = reached if wall is None else oblong_reached
        return close(waveguide, tool.corner_radius)
    except NoRoomError:
        return waveguide, ()


def wall_cloud(waveguide: Waveguide) -> Cloud | None:
    """The cloud of an oblong wall, for offsets; None of a round one."""
    return None if waveguide.is_round else cloud(waveguide.surface)


def check_reach(waveguide: Waveguide, program: Program) -> None:
    """InputError if shank, holder or spindle would meet the wall, with the place and the length that would do.

    Looked at on a round wall exactly, on an oblong one between points of wall and path.
    """
    tool, tips = program.tool, program.position[~program.rapid]
    tips = tips[tips[:, 2] < 0.0]
    needed = _needed_round if waveguide.is_round else _needed_oblong
    if tool.shank_diameter > tool.diameter + _LEVEL:
        least, place = needed(waveguide, tips, 0.5 * tool.shank_diameter + APART)
        if least > tool.flute_length:
            raise InputError(_too_short(tool, "flute_length_mm", tool.flute_length, "shank", least, place))
    least, place = needed(waveguide, tips, 0.5 * tool.holder_diameter + APART)
    if least > tool.reach:
        raise InputError(_too_short(tool, "reach_mm", tool.reach, "holder", least, place))
    nose = tool.reach + tool.holder_length
    least, place = needed(waveguide, tips, 0.5 * tool.spindle_nose + APART) if tool.spindle_nose else (0.0, tips[0])
    if least > nose:
        raise InputError(_too_short(tool, "reach_mm with its holder_length_mm", nose, "spindle", least, place))


def _needed_round(waveguide: Waveguide, tips: FloatArray, radius: float) -> tuple[float, FloatArray]:
    """m, height above the tip from which a disc of `radius` keeps clear at all tips (N, 3); and the wall's place."""
    wall = waveguide.meridian.dense
    reached = np.hypot(tips[:, 0], tips[:, 1]) + radius
    height = np.interp(reached, wall.r, wall.z - waveguide.depth, left=-np.inf)
    worst = int(np.argmax(height - tips[:, 2]))
    place = np.array([min(float(reached[worst]), waveguide.meridian.mouth_radius), 0.0, height[worst]])
    return float(height[worst] - tips[worst, 2]) + APART, place


def _needed_oblong(waveguide: Waveguide, tips: FloatArray, radius: float) -> tuple[float, FloatArray]:
    """The same; by symmetry what happens in one quarter happens in all."""
    quarter = cloud(waveguide.surface, step=WALL_STEP).points - [0.0, 0.0, waveguide.depth]
    around = np.concatenate([quarter * sign for sign in ((1, 1, 1), (-1, 1, 1), (1, -1, 1), (-1, -1, 1))])
    tips = np.column_stack([np.abs(tips[:, :2]), tips[:, 2]])[:: max(1, tips.shape[0] // _TIPS)]
    worst, place = 0.0, quarter[0]
    for start in range(0, tips.shape[0], 64):
        here = tips[start : start + 64, None]
        square = (around[:, 0] - here[..., 0]) ** 2 + (around[:, 1] - here[..., 1]) ** 2
        above = np.where(square < radius**2, around[:, 2] - here[..., 2], -np.inf)
        if above.max() > worst:
            worst = float(above.max())
            place = around[int(above.argmax()) % around.shape[0]]
    return worst + APART, place


def _too_short(tool: Tool, key: str, value: float, what: str, needed: float, place: FloatArray) -> str:
    wide = {"holder": tool.holder_diameter, "shank": tool.shank_diameter, "spindle": tool.spindle_nose}[what]
    return (
        f'tool "{tool.name}" {key} = {value / MILLIMETRE:g}: the {what}, {wide / MILLIMETRE:g} mm wide, would meet the'
        f" wall {-place[2] / MILLIMETRE:.4g} mm below the front face, {np.hypot(*place[:2]) / MILLIMETRE:.4g} mm off"
        f" the axis: must be at least {np.ceil(needed / MILLIMETRE * 10) / 10:g}. Take a longer tool or a more slender"
        f" {what}"
    )


def check_stock(process: Process, needed: Sequence[float]) -> None:
    """InputError if the stock is smaller than the part, `needed` in m along x, y and z."""
    size = process.stock.size
    if size is None:
        return
    if process.stock.kind == "block" and any(a < b - 1e-9 for a, b in zip(size, needed, strict=True)):
        raise InputError(
            f'process "{process.name}" [stock] size_mm = {_told(size)}: must be at least {_told(needed)} for this'
            " part. Take a larger block, or lower the part's sizes"
        )


def check_volume(process: Process, program: Program, part: Sequence[float]) -> None:
    """InputError if a program, or the part (x, y, z in m), is larger than the machine's work volume."""
    position = program.position
    if program.kind == "turning":
        needed = [part[0], part[1], max(part[2], float(np.ptp(position[:, 2])))]
    else:
        needed = [float(np.ptp(position[:, axis])) for axis in range(3)]
    volume = process.machine.work_volume
    if any(a < b - 1e-9 for a, b in zip(volume, needed, strict=True)):
        raise InputError(
            f'process "{process.name}" [machine] work_volume_mm = {_told(volume)}: {program.name} needs'
            f" {_told(needed)}. Take a larger machine, or lower the part's sizes"
        )


def _told(sizes: Sequence[float]) -> str:
    return f"[{', '.join(f'{np.ceil(size / MILLIMETRE * 100 - 1e-6) / 100 + 0.0:g}' for size in sizes)}]"
