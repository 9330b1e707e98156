"""A body's outside on a router: from the front to the widest place, and after the flip from the back."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.engagement import met_by_ball
from evenflare.manufacture.milling.facing import over_frame
from evenflare.manufacture.milling.finishing import CHORD_SHARE, DIGIT, ridges_of
from evenflare.manufacture.milling.outside_sides import WALL, MilledSide
from evenflare.manufacture.milling.profile import (
    AROUND_CHORD,
    by_levels,
    check_deep,
    check_tabs,
    over_tabs,
    ramp_feed,
)
from evenflare.manufacture.milling.program import FRONT_DATUM, Leg, Program, assembled
from evenflare.manufacture.milling.roughing import LIFT, ramp
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.process.types import HoldDown, Process, Tool
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.words import mm

ROUGH, FINE = "outside_roughing", "outside_finishing"
"""Names of the programs from the front, and
BACK_ROUGH, BACK_FINE after the flip."""
BACK_ROUGH, BACK_FINE = "outside_back_roughing", "outside_back_finishing"
BACK_DATUM = "X0 Y0 on the axis of the waveguide, Z0 at the back face, Z up and out of the back. Z is the tool's tip"
ASIDE = 1 * MILLIMETRE
"""By which tabs widen from level to level, on either side."""


class HeldBody(NamedTuple):
    """What holds a body while its back is cut, in that side's frame, m.

    top  : below which no tip goes where it is held; -inf: nothing holds it.
    tabs : (N, 2), their middles on the outside; none of a skin, which goes all round.
    """

    top: float
    tabs: FloatArray

    @property
    def all_round(self) -> bool:
        """Whether a skin stays."""
        return len(self.tabs) == 0 and self.top > -np.inf


def held_of(process: Process, hold: HoldDown, side: MilledSide) -> HeldBody:
    """What stays at the back of a body: above the slot that the front's programs leave, a tab or a skin thick. Nothing
    at its front, where the stock holds it.
    """
    ball = process.tool(process.finishing_tool)
    if hold.kind == "free" or side.end == "front":
        return HeldBody(-np.inf, np.empty((0, 2)))
    places = side.rim.even_places(hold.tabs) if hold.kind == "tabs" else np.empty((0, 2))
    return HeldBody(side.lowest + ball.radius + hold.kept, places)


def slot_beside(process: Process) -> float:
    """m, how far beyond a body's widest place the roughing's slot round it reaches."""
    return outermost(process) + process.tool(process.profile_tool).radius


def outermost(process: Process) -> float:
    """m, beyond the widest place, of the roughing's outermost ring: the ball that follows has room beside it."""
    tool, ball = process.tool(process.profile_tool), process.tool(process.finishing_tool)
    return max(tool.radius + process.stock_left + 2.0 * WALL, 2.0 * ball.radius - tool.radius + 2.0 * LIFT)


def outside_levels(process: Process, side: MilledSide, held: HeldBody) -> list[float]:
    """m, of the tip, none further below the one above than the profile's tool cuts; see outside_roughing."""
    bottom = -held.top if held.all_round else process.tool(process.finishing_tool).radius - side.lowest
    count = max(1, int(np.ceil(bottom / eased(process, process.tool(process.profile_tool)).stepdown - 1e-9)))
    return [float(level) for level in -bottom * np.arange(1, count + 1) / count]


def outside_roughing(
    process: Process, hold: HoldDown, side: MilledSide, held: HeldBody, *, faced: float = 0.0
) -> Program:
    """Level by level, none deeper than the stepdown: a ramp and a ring farthest out, then rings inward to the outside
    with the stock left, clockwise, which climbs there with a spindle that turns clockwise.

    The lowest level is as deep as the finishing ball's tip goes. Over tabs, or a skin, the tip stays above them.
    faced  : m, how high stock stands round the slot above the end's plane, see over_frame.
    Errors : InputError if the tool is too short or the stock's margin too narrow.
    """
    tool, levels = process.tool(process.profile_tool), outside_levels(process, side, held)
    words, process = slender_words(process, tool), over_frame(eased(process, tool), faced)
    machine, rim = process.machine, side.rim
    check_deep(tool, faced - levels[-1])
    check_tabs(hold, rim, tool, held.tabs)
    outer = outermost(process)
    if hold.margin < outer + tool.radius + MILLIMETRE:
        raise InputError(
            f"[hold_down] margin_mm = {mm(hold.margin)}: must be at least {mm(outer + tool.radius + MILLIMETRE)}, the"
            " slot beside the body and 1. Widen it, or take a thinner profile_tool"
        )
    legs, above = list[Leg](), 0.0
    first = rim.beside(outer, chord=AROUND_CHORD)
    for level in levels:
        if not legs:
            legs.append(Leg(np.array([[*first[0], machine.safe_height]]), machine.rapid_feed, rapid=True))
        # Beside a tab each level keeps further off than the one above: rings lie elsewhere, and would shave its side.
        deeper = max(0.0, held.top - level) / process.stepdown
        tabs = (held.tabs, hold.tab_width + 2.0 * ASIDE * np.ceil(deeper), held.top)
        down = ramp(first, above + 0.5 * LIFT, level)
        legs += over_tabs(down, tool, process, rim, tabs, ramp_feed(process, down))
        for ring in side.rings(tool, process.stock_left, level, outer):
            flat = np.column_stack([ring, np.full(len(ring), level)])
            legs += over_tabs(flat, tool, process, rim, tabs, machine.cutting_feed)
        lifted = max(level, held.top) + LIFT
        legs.append(Leg(np.append(legs[-1].points[-1][:2], lifted)[None], machine.cutting_feed))
        legs.append(Leg(np.append(first[0], lifted)[None], machine.rapid_feed, rapid=True))
        above = level
    legs.append(Leg(np.append(first[0], machine.safe_height)[None], machine.rapid_feed, rapid=True))
    setup = [
        *_before(side, hold, held),
        f"the stock reaches {mm(hold.margin)} beyond the part on every side and is held there by {hold.by}: nothing may"
        f" stand within {mm(outer + tool.radius + LIFT)} of the widest place",
        f"stock left for finishing: {mm(process.stock_left)}, and the steps between levels",
        *words,
    ]
    name = ROUGH if side.end == "front" else BACK_ROUGH
    return _program(name, side, tool, legs, setup, AROUND_CHORD, by_levels(process, tool))


def outside_finishing(
    process: Process, hold: HoldDown, side: MilledSide, held: HeldBody, *, faced: float = 0.0
) -> Program:
    """One spiral of the ball from the end's plane out and down to the widest place, clockwise, with ridges of the
    scallop height; over tabs it rises, above a skin it ends.

    faced  : as outside_roughing.
    Errors : InputError if the ball is too short, or too large for a hollow of the outside.
    """
    tool, rougher = process.tool(process.finishing_tool), process.tool(process.profile_tool)
    height, given = ridges_of(process), process
    chord = CHORD_SHARE * height
    words, process = slender_words(process, tool), over_frame(eased(process, tool), faced)
    machine, rim = process.machine, side.rim
    check_deep(tool, -side.lowest + tool.radius + faced)
    centres = side.spiral(tool, ridge=height - chord - DIGIT, chord=chord)
    tips = centres * (1.0, -1.0, 1.0) - np.array([0.0, 0.0, tool.radius])
    low = np.flatnonzero(tips[:, 2] < held.top)
    if held.all_round and low.size:
        # Round an oblong body a turn sinks below the skin's top in one place, and not yet in another.
        tips, low = tips[: np.flatnonzero(tips[:, 2] >= held.top)[-1] + 1], low[:0]
        tips[:, 2] = np.maximum(tips[:, 2], held.top)
    cut = int(low[0]) if low.size else len(tips)
    legs = [
        Leg(np.array([[*tips[0, :2], machine.safe_height]]), machine.rapid_feed, rapid=True),
        Leg(tips[:1], machine.plunge_feed),
        Leg(tips[:cut], machine.cutting_feed),
    ]
    if low.size:
        deeper = np.ceil((held.top - float(tips[:, 2].min())) / eased(given, rougher).stepdown)
        tabs = (held.tabs, hold.tab_width + 2.0 * ASIDE * (deeper + 1.0), held.top)
        legs += over_tabs(tips[cut - 1 :], rougher, process, rim, tabs, machine.cutting_feed)
    end = legs[-1].points[-1] * (1.0 + 0.5 * LIFT / np.hypot(*legs[-1].points[-1, :2]), 1.0, 1.0)
    legs += [
        Leg(end[None], machine.cutting_feed),
        Leg(np.array([[*end[:2], machine.safe_height]]), machine.rapid_feed, rapid=True),
    ]
    left = _by_hand(side, held, tool)
    setup = [
        f"run after {ROUGH if side.end == 'front' else BACK_ROUGH}, in the same clamping and with the same X and Y"
        " zero; touch the ball's tip off on the face",
        f"ridges of {mm(given.scallop_height)} at most, {side.told} at Z {side.lowest / MILLIMETRE:.3f}",
        *left,
        *words,
    ]
    rough = eased(given, rougher)
    met = met_by_ball(tips * (1.0, -1.0, 1.0), radius=tool.radius, step=rough.stepdown, left=process.stock_left)
    name = FINE if side.end == "front" else BACK_FINE
    return _program(name, side, tool, legs, setup, chord, met)


def _program(
    name: str, side: MilledSide, tool: Tool, legs: list[Leg], setup: list[str], chord: float, engagement: float
) -> Program:
    datum = FRONT_DATUM if side.end == "front" else BACK_DATUM
    return assembled(name, tool, legs, datum=datum, kind="milling", setup=setup, chord=chord, engagement=engagement)


def _before(side: MilledSide, hold: HoldDown, held: HeldBody) -> list[str]:
    if side.end == "front":
        return [
            f"run after the wall's programs, in the same clamping. A slot is cut round the body to its widest place, Z"
            f" {side.lowest / MILLIMETRE:.3f}; the rest of the outside is cut from the back"
        ]
    if held.all_round:
        return [f"a skin of {mm(hold.skin)} stays round the widest place: cut it with a knife last"]
    if len(held.tabs):
        places = "; ".join(f"x {mm(x)} y {mm(y)}" for x, y in held.tabs.tolist())
        return [
            f"{len(held.tabs)} tabs, {mm(hold.tab_width)} wide and {mm(hold.tab_height)} thick, hold the body at its"
            f" widest place, at {places}: saw and pare them off last",
        ]
    return [f"the body comes free of the stock round it: {hold.by} must hold the body itself, from below"]


def _by_hand(side: MilledSide, held: HeldBody, ball: Tool) -> list[str]:
    """What a tab or a skin leaves to be pared."""
    start = side.first_below(ball, held.top)
    if start is None:
        return []
    where = "all round" if held.all_round else "at the tabs"
    return [
        f"{where} the outside from Z {start / MILLIMETRE:.3f} to {side.lowest / MILLIMETRE:.3f} is left in what holds"
        " the body: pare and sand it to outside.csv"
    ]
