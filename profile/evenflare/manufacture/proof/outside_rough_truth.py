"""What roughing leaves of a body's outside: the heights above which, in the slot round it, no material stands."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from evenflare.manufacture.milling.outside_milled import (
    ASIDE,
    BACK_ROUGH,
    ROUGH,
    held_of,
    outermost,
    outside_levels,
)
from evenflare.manufacture.milling.outside_sides import MilledSide, milled_side
from evenflare.manufacture.milling.profile import AROUND_CHORD
from evenflare.manufacture.milling.slender import eased
from evenflare.manufacture.process.types import HoldDown, Process
from evenflare.manufacture.proof.around_body import AskedSide
from evenflare.manufacture.proof.around_oblong import AskedOblong
from evenflare.manufacture.proof.rough_truth import CELL, Prepared, over_corner
from evenflare.units import MILLIMETRE, FloatArray

EVERY = 3
"""Of the raster's cells each way, that is looked at: what a tool misses is as wide as it."""
SLACK = 2.0 * AROUND_CHORD + CELL
"""m, by which a level's innermost ring may lie further out than it is known: chords of it and of what is compared."""
BESIDE_TABS = 2 * MILLIMETRE
"""Further than the tool is lifted beside a tab, nothing is asked."""


def outsides_prepared(process: Process, sides: Sequence[AskedSide | AskedOblong]) -> dict[str, Prepared]:
    """By name, what a router's programs that rough a body's outside leave."""
    hold = process.hold_down
    if hold is None or not process.profile_tool:
        return {}
    found = {}
    for name, asked in zip((ROUGH, BACK_ROUGH), sides, strict=False):
        side = milled_side(asked.side)
        found[name] = Prepared(None, partial(_ceiling, process, hold, side))
    return found


def _ceiling(process: Process, hold: HoldDown, side: MilledSide, x: FloatArray, y: FloatArray) -> FloatArray:
    """(X, Y), m: the highest that the levels leave at x (X,) and y (Y,), even about the axis; inf where nothing is
    asked: where no level comes, beyond the slot, beside tabs, and between the cells that are looked at.
    """
    import shapely

    tool = process.tool(process.profile_tool)
    flat = tool.radius - tool.corner_radius
    (across, column), (up, row) = (np.unique(np.abs(each).round(9), return_inverse=True) for each in (x, y))
    places = np.stack(np.meshgrid(across[::EVERY], up[::EVERY], indexing="ij"), axis=-1)
    highest = np.full(places.shape[:2], np.inf).ravel()
    places, out = places.reshape(-1, 2), outermost(process)
    slot = shapely.Polygon(side.rim.beside(out, chord=AROUND_CHORD)).buffer(flat - SLACK)
    shapely.prepare(slot)
    here = np.flatnonzero(shapely.contains_xy(slot, *places.T))
    held = held_of(process, hold, side)
    levels = outside_levels(process, side, held)
    for level in reversed(levels):
        ring = shapely.Polygon(side.rings(tool, process.stock_left, level, out)[-1])
        kept, beside = ring.buffer(SLACK - tool.radius), ring.buffer(SLACK - flat)
        shapely.prepare([kept, beside])
        in_beside = shapely.contains_xy(beside, *places[here].T)
        sure, rest = here[~in_beside], here[in_beside]
        highest[sure] = np.minimum(highest[sure], level)
        near = rest[~shapely.contains_xy(kept, *places[rest].T)]
        away = shapely.distance(ring.exterior, shapely.points(places[near]))
        highest[near] = np.minimum(highest[near], level + over_corner(tool, away + SLACK))
        # What lies under the flat of a level is no higher after those above it.
        here = rest
    looked = (column % EVERY == 0)[:, None] & (row % EVERY == 0)
    found = np.where(looked, highest.reshape(across[::EVERY].size, -1)[np.ix_(column // EVERY, row // EVERY)], np.inf)
    if len(held.tabs):
        deeper = np.ceil((held.top - levels[-1]) / eased(process, tool).stepdown)
        half = 0.5 * hold.tab_width + ASIDE * deeper + tool.radius + BESIDE_TABS
        i, j = np.nonzero(np.isfinite(found))
        apart = [np.hypot(x[i] - tab_x, y[j] - tab_y) for tab_x, tab_y in held.tabs.tolist()]
        near = np.min(apart, axis=0) < np.hypot(half, np.maximum(side.rim.off(x[i], y[j]), 0.0))
        found[i[near], j[near]] = np.inf
    return np.asarray(found)
