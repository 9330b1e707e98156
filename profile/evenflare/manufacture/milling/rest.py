"""Rest material on a router: what a large roughing tool does not reach, taken by a smaller one before finishing."""

from __future__ import annotations

import numpy as np

from evenflare.manufacture.milling.engagement import levels_of
from evenflare.manufacture.milling.finishing import below_the_part
from evenflare.manufacture.milling.program import Leg, Program, from_front
from evenflare.manufacture.milling.roughing import LIFT, RING_CHORD, check_flutes, fillet, ramp, rings_by_level
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.process.types import Process, Tool
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import mm

REST = "rest"
IDLE = 0.05 * MILLIMETRE
"""By which the flank of the smaller tool reaches beyond what is cleared without a ring being worth its way."""


def rest(waveguide: Waveguide, process: Process) -> Program | None:
    """The rest program, datum as from_front: roughing's levels again, of each those rings of a smaller tool that meet
    material, each level in as many passes as the tool's depth of cut asks for; None where the large one reaches all.

    The terraces are then where a small roughing tool alone would have left them.
    Errors : InputError if this tool does not pass the throat either.
    """
    large, tool = process.tool(process.roughing_tool), process.tool(process.rest_tool)
    words, machine = slender_words(process, tool), eased(process, tool).machine
    coarse, deepest = eased(process, large), eased(process, tool).stepdown
    check_flutes(eased(process, tool), tool)
    levels = levels_of(waveguide, coarse)
    cleared = rings_by_level(waveguide, large, coarse, levels, as_far=True)
    rings = rings_by_level(waveguide, tool, coarse, levels)
    kept = [
        [ring for ring in around if k >= len(cleared) or not _idle(ring, tool, large, cleared[k][-1], coarse)]
        for k, around in enumerate(rings)
    ]
    passes = max(1, int(np.ceil(-float(levels[0]) / deepest - 1e-9)))
    middle, legs = np.zeros(2), [Leg(np.array([[0.0, 0.0, machine.safe_height]]), machine.rapid_feed, rapid=True)]
    above, lowest = 0.0, 0.0
    for level, around in zip(levels.tolist(), kept, strict=True):
        if around:
            # On the axis all above the level before is gone, and it is left on no rapid move.
            legs.append(Leg(np.append(middle, above + LIFT)[None], machine.rapid_feed, rapid=True))
            for low in np.linspace(above, level, passes + 1)[1:].tolist():
                top = legs[-1].points[-1, 2]
                legs += [
                    Leg(np.append(around[0][0], top)[None], machine.cutting_feed),
                    Leg(ramp(around[0], top - 0.5 * LIFT, low), machine.plunge_feed),
                    Leg(np.concatenate([_flat(ring, low) for ring in around]), machine.cutting_feed),
                    Leg(np.append(around[-1][-1], low + LIFT)[None], machine.cutting_feed),
                    Leg(np.append(middle, low + LIFT)[None], machine.rapid_feed, rapid=True),
                ]
            lowest = level
        above = level
    if lowest == 0.0:
        return None
    legs.append(Leg(np.append(middle, machine.safe_height)[None], machine.rapid_feed, rapid=True))
    setup = [
        f"run after roughing, in the same clamping and with the same X and Y zero: it takes what tool {large.name} does"
        f" not reach, {mm(process.stock_left)} left on the wall",
        below_the_part(lowest, waveguide.depth),
        *words,
    ]
    # A rounded edge leaves its height beside the pass before, the large tool's beside a floor that it left.
    edge = tool.corner_radius if passes > 1 else fillet(rings, tool)
    met = -float(levels[0]) / passes + max(edge, large.corner_radius if cleared else 0.0)
    return from_front(REST, tool, legs, setup=setup, chord=RING_CHORD, engagement=met)


def _flat(ring: FloatArray, level: float) -> FloatArray:
    return np.column_stack([ring, np.full(len(ring), level)])


def _idle(ring: FloatArray, tool: Tool, large: Tool, outermost: FloatArray, process: Process) -> bool:
    """Whether a tool on a ring meets nothing to speak of where the large tool went out to a ring: its flank reaches no
    further than IDLE beyond the other's, its end into the corner of the other's floor no further than the stock left.
    """
    import shapely

    beyond = float(shapely.distance(shapely.Polygon(outermost), shapely.points(ring)).max())
    flank = large.radius - tool.radius + IDLE
    end = large.radius - large.corner_radius - tool.radius + tool.corner_radius + process.stock_left + 2.0 * RING_CHORD
    return beyond <= min(flank, end)
