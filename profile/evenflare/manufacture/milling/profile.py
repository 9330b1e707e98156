"""What a router cuts round a part: its outside out of larger stock, the rebate of its front, its rounded edge."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.finishing import CHORD_SHARE, DIGIT
from evenflare.manufacture.milling.program import Leg, Program, from_front
from evenflare.manufacture.milling.roughing import ENGAGEMENT, LIFT, RAMP, ramp
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.rim import Footprint, RimOutline, edge_inset
from evenflare.manufacture.process.types import HoldDown, Process, Tool
from evenflare.manufacture.wall.scallop import centre_step
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.words import mm

THROUGH = 0.3 * MILLIMETRE
"""Below the part's back, so that nothing is left hanging (common practice, no source)."""
AROUND_CHORD = 0.005 * MILLIMETRE
"""That straight moves leave beside a round outside."""
ALONG = 0.5 * MILLIMETRE
"""Between the places at which a path near tabs rises or falls."""


def slot_width(process: Process) -> float:
    """m, of what the profile takes beside a part."""
    return process.tool(process.profile_tool).diameter + process.stock_left


def profile_depth(process: Process, hold: HoldDown, *, thick: float, whole: bool) -> float:
    """m below the front face, to which the profile goes. thick : of what is cut round; whole : it is the part's height,
    else a shell's flange, under which the stock holds it.
    """
    corner = process.tool(process.profile_tool).corner_radius
    if whole and hold.kind == "onion_skin":
        return thick - hold.skin
    return thick + corner + THROUGH


def profile(
    process: Process,
    hold: HoldDown,
    rim: Footprint,
    features: Features,
    *,
    thick: float,
    whole: bool,
    spoiled: bool = True,
) -> Program:
    """The program for the outside, datum as from_front.

    Level by level, none deeper than the stepdown, first with the stock left, then to size; clockwise, which climbs
    outside with a spindle that turns clockwise. Over a tab's width the tip stays above it. Beside an edge that is to be
    rounded by a ball it takes the corner down in terraces.
    thick, whole : see profile_depth; spoiled : whether the stock ends at the part's back, on a spoil board.
    Errors : InputError if the tool is too short.
    """
    tool = process.tool(process.profile_tool)
    words, process = slender_words(process, tool), eased(process, tool)
    machine = process.machine
    bottom = profile_depth(process, hold, thick=thick, whole=whole)
    check_deep(tool, bottom)
    tabs = rim.even_places(hold.tabs) if whole and hold.kind == "tabs" else np.empty((0, 2))
    check_tabs(hold, rim, tool, tabs)
    over = (tabs, hold.tab_width, hold.tab_height - thick)
    edge = features.edge_radius if process.edge_tool else 0.0
    count = max(1, int(np.ceil(bottom / process.stepdown - 1e-9)))
    outer, legs, above = tool.radius + process.stock_left, list[Leg](), 0.0
    for level in (-bottom * np.arange(1, count + 1) / count).tolist():
        first = rim.beside(outer, chord=AROUND_CHORD)
        if above == 0.0:
            legs.append(Leg(np.array([[*first[0], machine.safe_height]]), machine.rapid_feed, rapid=True))
        down = ramp(first, above + 0.5 * LIFT, level)
        legs += over_tabs(down, tool, process, rim, over, ramp_feed(process, down))
        inset = float(edge_inset(-level, radius=edge))
        rings = inward(outer, tool.radius - max(0.0, inset - process.stock_left), tool)
        for away in [outer, *rings]:
            ring = rim.beside(away, chord=AROUND_CHORD)
            flat = np.column_stack([ring, np.full(len(ring), level)])
            legs += over_tabs(flat, tool, process, rim, over, machine.cutting_feed)
        lifted = max(level, over[2] if len(tabs) else level) + LIFT
        legs.append(Leg(np.append(legs[-1].points[-1][:2], lifted)[None], machine.cutting_feed))
        legs.append(Leg(np.append(first[0], lifted)[None], machine.rapid_feed, rapid=True))
        above = level
    legs.append(Leg(np.append(legs[-1].points[-1][:2], machine.safe_height)[None], machine.rapid_feed, rapid=True))
    setup = [
        f"the stock reaches {mm(hold.margin)} beyond the part on every side and is held there by {hold.by}: nothing"
        f" may stand within {mm(tool.diameter + process.stock_left + LIFT)} of the part's outside",
        _held_words(process, hold, tabs, thick=thick, whole=whole, bottom=bottom, spoiled=spoiled),
        *words,
    ]
    return from_front(
        "profile",
        tool,
        legs,
        setup=setup,
        chord=AROUND_CHORD,
        engagement=by_levels(process, tool),
    )


def by_levels(process: Process, tool: Tool) -> float:
    """m, of a cutter that goes down level by level: a stepdown, and what its corner left beside the level above."""
    return process.stepdown + tool.corner_radius


def check_tabs(hold: HoldDown, rim: RimOutline, tool: Tool, tabs: FloatArray) -> None:
    """InputError unless the cutter gets down between any two tabs."""
    needed = len(tabs) * (hold.tab_width + 3.0 * tool.diameter)
    if needed > rim.around:
        raise InputError(
            f"[hold_down] tabs = {hold.tabs}: of {mm(hold.tab_width)} each, with room for the cutter between them, they"
            f" need {mm(needed)} round the part, which measures {mm(rim.around)}. Have fewer, or narrower ones"
        )


def ramp_feed(process: Process, path: FloatArray) -> float:
    """m/s along a ramp (N, 3): it goes down no faster than one as steep as RAMP at the feed for plunging."""
    fall = float(path[0, 2] - path[-1, 2])
    slope = fall / float(np.hypot(*np.diff(path[:, :2], axis=0).T).sum())
    return min(process.machine.cutting_feed, process.machine.plunge_feed * float(np.tan(RAMP)) / slope)


def across_step(tool: Tool) -> float:
    """m, from ring to ring at most."""
    return ENGAGEMENT * (tool.radius - tool.corner_radius)


def inward(start: float, end: float, tool: Tool) -> list[float]:
    """m, offsets after `start` down to `end`, none further from the one before than the tool takes with a flat end."""
    number = max(1, int(np.ceil((start - end) / across_step(tool) - 1e-9)))
    return [start + (end - start) * (k + 1) / number for k in range(number)]


def _held_words(
    process: Process, hold: HoldDown, tabs: FloatArray, *, thick: float, whole: bool, bottom: float, spoiled: bool
) -> str:
    tool = process.tool(process.profile_tool)
    corner = f", and {mm(tool.corner_radius)} more beside the wall, the cutter's corner" if tool.corner_radius else ""
    into = "the spoil board" if spoiled else "the stock behind the part"
    below = f"the tip goes to Z {-bottom / MILLIMETRE:.3f}, {mm(bottom - thick)} into {into}"
    if not whole:
        return f"the flange alone is cut round, to Z {-bottom / MILLIMETRE:.3f}: what stands behind it holds it"
    if hold.kind == "tabs":
        places = "; ".join(f"x {mm(x)} y {mm(y)}" for x, y in tabs.tolist())
        return (
            f"{len(tabs)} tabs, {mm(hold.tab_width)} wide and {mm(hold.tab_height)} high above the back{corner}, at"
            f" {places}: saw and pare them off last, after every other program. Between them {below}"
        )
    if hold.kind == "onion_skin":
        return (
            f"a skin of {mm(hold.skin)} stays all round at the back{corner}: cut it with a knife and sand it flush"
            " last, after every other program"
        )
    return f"the part comes free: only {hold.by} holds it then, and must hold it before the spindle starts. {below}"


def over_tabs(
    path: FloatArray,
    tool: Tool,
    process: Process,
    rim: RimOutline,
    tabs: tuple[FloatArray, float, float],
    feed: float,
) -> list[Leg]:
    """Legs along a path (N, 3) beside the outside that rise over tabs. tabs : middles, width, and z of their tops."""
    places, width, top = tabs
    if not len(places) or float(path[:, 2].min()) >= top:
        return [Leg(path, feed)]
    length = np.linalg.norm(np.diff(path, axis=0), axis=1)
    pieces = np.maximum(1, np.ceil(length / ALONG)).astype(int)
    share = np.concatenate([np.arange(n) / n for n in pieces])
    start = np.repeat(np.arange(len(pieces)), pieces)
    dense = np.vstack([path[start] + share[:, None] * np.diff(path, axis=0)[start], path[-1:]])
    away = np.abs(rim.off(*dense[:, :2].T))
    near = np.min(np.hypot(*(dense[:, None, :2] - places[None]).transpose(2, 0, 1)), axis=1)
    # A step to spare at either end, so that no tab is narrower than it is said to be.
    inside = near <= np.hypot(away, 0.5 * width + tool.radius + 2.0 * ALONG)
    lifted = np.where(inside & (dense[:, 2] < top), top, dense[:, 2])
    placed, rise = np.column_stack([dense[:, :2], lifted]), np.diff(lifted) - np.diff(dense[:, 2])
    legs, run, begun = list[Leg](), list[FloatArray](), 0
    for k in (np.flatnonzero(np.abs(rise) > 1e-9) + 1).tolist():
        goes_up = rise[k - 1] > 0.0
        # Where the path itself crosses that height, one of both places lies above it.
        corner = np.array([[*dense[k - 1 if goes_up else k, :2], max(lifted[k - 1], lifted[k])]])
        run += [placed[begun:k], corner]
        begun = k
        if not goes_up:
            plunge = min(feed, process.machine.plunge_feed)
            legs += [Leg(np.concatenate(run), feed), Leg(placed[k : k + 1], plunge)]
            run = []
    return [*legs, Leg(_straightened(np.concatenate([*run, placed[begun:]])), feed)]


def _straightened(points: FloatArray) -> FloatArray:
    """Without the points (N, 3) that lie on a straight line between their neighbours."""
    if len(points) < 3:
        return points
    before, after = points[1:-1] - points[:-2], points[2:] - points[1:-1]
    bent = np.linalg.norm(np.cross(before, after), axis=1) > 1e-12 * np.linalg.norm(after, axis=1)
    turned = np.einsum("ij,ij->i", before, after) < 0.0
    return np.asarray(points[np.concatenate([[True], bent | turned, [True]])])


def rebate(process: Process, rim: Footprint, features: Features) -> Program:
    """The step round the front's rim, from its outside inward, level by level; after the profile.

    Errors : InputError if the tool is too short.
    """
    tool = process.tool(process.rebate_tool)
    words, process = slender_words(process, tool), eased(process, tool)
    machine = process.machine
    width, deep = features.rebate_width, features.rebate_depth
    check_deep(tool, deep)
    count = max(1, int(np.ceil(deep / process.stepdown - 1e-9)))
    # From where the cutter clears the outside, since the profile has its slot there.
    offsets = [tool.radius, *inward(tool.radius, tool.radius - width, tool)]
    legs, above = list[Leg](), 0.0
    for level in (-deep * np.arange(1, count + 1) / count).tolist():
        first = rim.beside(offsets[0], chord=AROUND_CHORD)
        if above == 0.0:
            legs.append(Leg(np.array([[*first[0], machine.safe_height]]), machine.rapid_feed, rapid=True))
        down = ramp(first, above + 0.5 * LIFT, level)
        legs.append(Leg(down, ramp_feed(process, down)))
        for away in offsets:
            ring = rim.beside(away, chord=AROUND_CHORD)
            legs.append(Leg(np.column_stack([ring, np.full(len(ring), level)]), machine.cutting_feed))
        lifted = level + LIFT
        legs.append(Leg(np.append(legs[-1].points[-1][:2], lifted)[None], machine.cutting_feed))
        legs.append(Leg(np.append(first[0], lifted)[None], machine.rapid_feed, rapid=True))
        above = level
    legs.append(Leg(np.append(legs[-1].points[-1][:2], machine.safe_height)[None], machine.rapid_feed, rapid=True))
    setup = [
        "run after the profile, in the same clamping and with the same X and Y zero",
        f"rebate: {mm(width)} wide and {mm(deep)} deep; measure the baffle at hand before cutting",
        *words,
    ]
    return from_front(
        "rebate",
        tool,
        legs,
        setup=setup,
        chord=AROUND_CHORD,
        engagement=by_levels(process, tool),
    )


def edge(process: Process, rim: Footprint, features: Features) -> Program:
    """The front's edge rounded by a ball in rings from the face down, ridges as high as the wall's; after the profile.

    Errors : InputError if the tool is too short, or does not pass the slot of the profile.
    """
    tool, radius, stepdown = process.tool(process.edge_tool), features.edge_radius, process.stepdown
    words, process = slender_words(process, tool), eased(process, tool)
    machine = process.machine
    check_deep(tool, radius + tool.radius)
    if process.profile_tool and tool.diameter > process.tool(process.profile_tool).diameter + 1e-9:
        raise InputError(
            f'edge_tool "{tool.name}" diameter_mm = {mm(tool.diameter)}: must be at most'
            f" {mm(process.tool(process.profile_tool).diameter)}, the profile_tool's, whose slot it passes. Take a"
            " smaller ball"
        )
    chord = CHORD_SHARE * process.scallop_height
    height = process.scallop_height - chord - DIGIT
    step = float(centre_step(height, radius=tool.radius, curvature=1.0 / radius))
    count = max(2, int(np.ceil(0.5 * np.pi * (radius + tool.radius) / step)))
    legs = list[Leg]()
    for angle in np.linspace(0.5 * np.pi, 0.0, count + 1).tolist():
        away = -radius + (radius + tool.radius) * np.cos(angle)
        tip = -radius + (radius + tool.radius) * np.sin(angle) - tool.radius
        ring = rim.beside(away, chord=chord)
        if not legs:
            legs.append(Leg(np.array([[*ring[0], machine.safe_height]]), machine.rapid_feed, rapid=True))
            legs.append(Leg(np.array([[*ring[0], tip]]), machine.plunge_feed))
        else:  # Out before it goes down: straight to the next ring it would cut into the edge.
            legs.append(Leg(np.array([[*ring[0], legs[-1].points[-1, 2]]]), machine.cutting_feed))
        legs.append(Leg(np.column_stack([ring, np.full(len(ring), tip)]), machine.cutting_feed))
    legs.append(Leg(np.append(legs[-1].points[-1][:2], machine.safe_height)[None], machine.rapid_feed, rapid=True))
    setup = [
        "run after the profile, in the same clamping and with the same X and Y zero; touch the ball's tip off on the"
        " front face",
        f"edge: rounded to a radius of {mm(radius)}",
        *words,
    ]
    # Never more than the edge is deep, nor than a terrace of the profile above what the ball touches.
    most = min(radius, stepdown + process.stock_left + tool.radius)
    return from_front("edge", tool, legs, setup=setup, chord=chord, engagement=most)


def check_deep(tool: Tool, deep: float) -> None:
    """InputError if holder or shank would meet stock beside a cut so deep below its upper side, m."""
    checks = [("reach_mm", tool.reach, deep + LIFT, "holder")]
    if tool.shank_diameter > tool.diameter + 1e-9:
        checks.append(("flute_length_mm", tool.flute_length, deep, "shank"))
    for key, value, needed, what in checks:
        if needed > value + 1e-12:
            raise InputError(
                f'tool "{tool.name}" {key} = {mm(value)}: the {what} would meet the stock: must be at least'
                f" {mm(needed)}. Take a longer tool"
            )
