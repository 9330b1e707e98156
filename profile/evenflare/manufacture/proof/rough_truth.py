"""What programs leave that prepare a wall for finishing: how much at most, and of levels where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import hollows_left
from evenflare.manufacture.milling.engagement import levels_of
from evenflare.manufacture.milling.finishing import EVEN_RIDGES, SEMI, grown
from evenflare.manufacture.milling.rest import IDLE, REST
from evenflare.manufacture.milling.roughing import RING_CHORD, oblong_room, wide_at
from evenflare.manufacture.milling.slender import eased
from evenflare.manufacture.milling.turning import CORNER
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.proof.deviation import Worst
from evenflare.manufacture.proof.simulate import Workpiece
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian, Waveguide, joined, sampled

CELL = 0.02 * MILLIMETRE
ROUGH_SLACK = 0.02 * MILLIMETRE
"""In height, for chords and digits."""
TURNED_SLACK = 0.01 * MILLIMETRE
"""Along a turned wall: roughing follows it by a polygon within 5 um, seen over cells."""
_FINE = 1e-6


class Prepared(NamedTuple):
    """What a program of preparation states that it leaves.

    left    : m, along the wall's normal at most; None where levels stand, or nothing is stated.
    highest : of levels: at x (X,) and y (Y,) the height (X, Y) above which no material stands, m from the front face.
    """

    left: float | None = None
    highest: Callable[[FloatArray, FloatArray], FloatArray] | None = None


def prepared(waveguide: Waveguide, process: Process) -> dict[str, Prepared]:
    """By name, what a process' programs of preparation leave on a wall."""
    found = dict[str, Prepared]()
    if "lathe_programs" in process.makes:
        rough, fine = (process.tool(name).corner_radius for name in (process.roughing_tool, process.finishing_tool))
        hollow = CORNER * max(0.0, rough - fine)
        return {"turning_roughing": Prepared(process.stock_left + hollow + TURNED_SLACK)}
    if process.semi_finishing_tool:
        _, stays = hollows_left(waveguide, grown(process))
        left = (1.0 + EVEN_RIDGES) * process.semi_finishing_left + max((each.thick for each in stays), default=0.0)
        found[SEMI] = Prepared(left + ROUGH_SLACK)
    if not process.roughing_tool:
        return found
    large, ceilings = process.tool(process.roughing_tool), list[Callable[[FloatArray, FloatArray], FloatArray]]()
    levels = levels_of(waveguide, eased(process, large))
    asked = {"roughing": (large, RING_CHORD + 2.0 * CELL)}
    if process.rest_tool:
        # As far as the stock left, the corners of the large tool's floors may stay.
        asked[REST] = process.tool(process.rest_tool), max(IDLE, process.stock_left) + 3.0 * RING_CHORD + CELL
    ceiling = _round_ceiling if waveguide.is_round else _oblong_ceiling
    for name, (tool, slack) in asked.items():
        ceilings.append(partial(ceiling, waveguide, tool, process, levels, slack))
        found[name] = Prepared(None, partial(_lowest, tuple(ceilings)))
    return found


def too_high(piece: Workpiece, asked: Prepared) -> Worst | None:
    """By how much material stands higher than levels leave it, m, and where; None of a program that has none."""
    if asked.highest is None:
        return None
    x, y = (low + piece.truth.step * np.arange(n) for low, n in zip(piece.origin, piece.heights.shape, strict=True))
    over = piece.heights - asked.highest(x, y) - ROUGH_SLACK
    i, j = np.unravel_index(int(over.argmax()), over.shape)
    return Worst(max(0.0, float(over[i, j])), (float(x[i]), float(y[j]), float(piece.heights[i, j])))


def _lowest(
    ceilings: Sequence[Callable[[FloatArray, FloatArray], FloatArray]], x: FloatArray, y: FloatArray
) -> FloatArray:
    return np.asarray(np.minimum.reduce([ceiling(x, y) for ceiling in ceilings]))


def _round_ceiling(
    waveguide: Waveguide, tool: Tool, process: Process, levels: FloatArray, slack: float, x: FloatArray, y: FloatArray
) -> FloatArray:
    """(X, Y), m: the highest that levels (L,) of a tool leave at x (X,) and y (Y,), see Prepared and _levels."""
    distances, heights = _levels(waveguide.meridian, tool, process.stock_left, levels, slack)
    return np.interp(np.hypot(x[:, None], y), distances, heights)


def _oblong_ceiling(
    waveguide: Waveguide, tool: Tool, process: Process, levels: FloatArray, slack: float, x: FloatArray, y: FloatArray
) -> FloatArray:
    """The same over an oblong wall: at each level the tool goes out to the edge of its room, less `slack`."""
    import shapely
    from scipy.spatial import cKDTree

    (across, column), (up, row) = (np.unique(np.abs(each).round(9), return_inverse=True) for each in (x, y))
    places = np.stack(np.meshgrid(across, up, indexing="ij"), axis=-1).reshape(-1, 2)
    highest, flat = np.zeros(len(places)), tool.radius - tool.corner_radius
    here = np.arange(len(places))
    for level in levels.tolist():
        try:
            room = oblong_room(waveguide.surface, tool, process.stock_left, level)
        except InputError:
            break  # too wide from here on
        # Under the flat of the tool nothing stays; beside it its corner rises, as far off as the room's edge is.
        sure, reached = room.buffer(-max(slack - flat, 0.0)), room.buffer(tool.radius - slack)
        shapely.prepare([sure, reached])
        here = here[shapely.contains_xy(reached, *places[here].T)]
        beside = here[~shapely.contains_xy(sure, *places[here].T)]
        rise = np.zeros(len(here))
        edge = cKDTree(np.asarray(room.exterior.segmentize(5.0 * RING_CHORD).coords))
        away = edge.query(places[beside])[0] * np.where(shapely.contains_xy(room, *places[beside].T), -1.0, 1.0)
        rise[np.isin(here, beside, assume_unique=True)] = over_corner(tool, away + slack)
        highest[here] = np.minimum(highest[here], level + rise)
    return np.asarray(highest.reshape(across.size, up.size)[np.ix_(column, row)])


def over_corner(tool: Tool, away: FloatArray) -> FloatArray:
    """m, how far above its tip a tool's corner stands at distances `away` (m) from its axis, within its width."""
    beyond = np.clip(away - (tool.radius - tool.corner_radius), 0.0, tool.corner_radius)
    return np.asarray(tool.corner_radius - np.sqrt(tool.corner_radius**2 - beyond**2))


def _levels(
    meridian: Meridian, tool: Tool, left: float, levels: FloatArray, slack: float
) -> tuple[FloatArray, FloatArray]:
    """(N,) and (N,), m: distances from the axis, and the highest that levels (L,) of a tool leave there, each as far
    out as the tool goes with `left` on the wall along the normal, less `slack`.

    A tool grown by `left` all round stands at each distance on what it first meets of the wall (greyscale dilation); at
    each level it goes as far out as it stands no higher.
    """
    wall = joined(sampled(meridian, chord_error=_FINE))
    reach = tool.radius + left
    distances = CELL * np.arange(int((meridian.mouth_radius + 2.0 * reach) / CELL) + 2)
    seen = np.minimum.accumulate(wall.r[::-1])[::-1]
    # Beyond the rim the front face goes on.
    surface = np.interp(distances, seen, wall.z - wall.z[-1], left=-np.inf)
    aside = np.arange(int(reach / CELL) + 1)
    corner = tool.corner_radius + left
    beyond = np.maximum(aside * CELL - (tool.radius - tool.corner_radius), 0.0)
    rise = corner - np.sqrt(np.maximum(corner**2 - beyond**2, 0.0))
    stands = np.full(distances.size, -np.inf)
    for off, up in zip(aside.tolist(), (left - rise).tolist(), strict=True):
        stands[: distances.size - off] = np.maximum(stands[: distances.size - off], surface[off:] + up)
    stands = np.maximum.accumulate(stands)
    highest = np.zeros(distances.size)
    for level in levels.tolist():
        out = distances[np.searchsorted(stands, level, side="right") - 1] if stands[0] <= level else -1.0
        if out < 0.0:
            continue
        heights = np.append(np.linspace(0.0, tool.corner_radius, 65), tool.corner_radius + CELL)
        flank = out - slack + wide_at(tool, 0.0, heights)
        below = np.interp(distances, flank, level + heights, left=level, right=0.0)
        highest = np.minimum(highest, below)
    rising: FloatArray = np.maximum.accumulate(highest)
    return np.asarray(distances, dtype=np.float64), rising
