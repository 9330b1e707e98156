"""What programs leave that prepare a wall for finishing: how much at most, and of levels on a round wall where."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.manufacture.milling.clearance import hollows_left
from evenflare.manufacture.milling.engagement import levels_of
from evenflare.manufacture.milling.finishing import EVEN_RIDGES, SEMI, grown
from evenflare.manufacture.milling.rest import IDLE, REST
from evenflare.manufacture.milling.roughing import RING_CHORD, wide_at
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

    left      : m, along the wall's normal at most; None where levels stand, or nothing is stated.
    distances, heights : (N,), m, of a round wall's levels: no material stands higher, so far off the axis.
    """

    left: float | None = None
    distances: FloatArray | None = None
    heights: FloatArray | None = None


def prepared(waveguide: Waveguide, process: Process) -> dict[str, Prepared]:
    """By name, what a process' programs of preparation leave on a wall. Levels of oblong walls are not worked out."""
    found = dict[str, Prepared]()
    if "lathe_programs" in process.makes:
        rough, fine = (process.tool(name).corner_radius for name in (process.roughing_tool, process.finishing_tool))
        hollow = CORNER * max(0.0, rough - fine)
        return {"turning_roughing": Prepared(process.stock_left + hollow + TURNED_SLACK)}
    if process.semi_finishing_tool:
        _, stays = hollows_left(waveguide, grown(process))
        left = (1.0 + EVEN_RIDGES) * process.semi_finishing_left + max((each.thick for each in stays), default=0.0)
        found[SEMI] = Prepared(left + ROUGH_SLACK)
    if waveguide.is_round and process.roughing_tool:
        large = process.tool(process.roughing_tool)
        levels = levels_of(waveguide, eased(process, large))
        distances, highest = _levels(waveguide.meridian, large, process.stock_left, levels, RING_CHORD + 2.0 * CELL)
        found["roughing"] = Prepared(None, distances, highest)
        if process.rest_tool:
            # As far as the stock left, the corners of the large tool's floors may stay.
            tool, slack = process.tool(process.rest_tool), max(IDLE, process.stock_left) + 3.0 * RING_CHORD + CELL
            smaller = np.interp(distances, *_levels(waveguide.meridian, tool, process.stock_left, levels, slack))
            found[REST] = Prepared(None, distances, np.minimum(highest, smaller))
    return found


def too_high(piece: Workpiece, asked: Prepared) -> Worst | None:
    """By how much material stands higher than levels leave it, m, and where; None of a program that has none."""
    if asked.distances is None or asked.heights is None:
        return None
    x, y = (low + piece.truth.step * np.arange(n) for low, n in zip(piece.origin, piece.heights.shape, strict=True))
    allowed = np.interp(np.hypot(x[:, None], y), asked.distances, asked.heights) + ROUGH_SLACK
    over = piece.heights - allowed
    i, j = np.unravel_index(int(over.argmax()), over.shape)
    return Worst(max(0.0, float(over[i, j])), (float(x[i]), float(y[j]), float(piece.heights[i, j])))


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
