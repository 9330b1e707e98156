"""A router's program that mills a part's back flat, where the stock is thicker than the part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.profile import AROUND_CHORD, check_deep
from evenflare.manufacture.milling.program import Leg, Program, assembled
from evenflare.manufacture.milling.roughing import ENGAGEMENT, cleared
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.part.rim import Footprint
from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.words import mm

FACING_BACK = "facing_back"
"""Runs with the back up, before the program of the driver's seat."""
BACK_DATUM = "X0 Y0 on the axis of the waveguide, Z0 at the back face, Z up and out of the back. Z is the tool's tip"
"""Of programs that run with the back up."""
THINNEST = 0.01 * MILLIMETRE
"""m; stock that is less too thick is taken for as thick as the part."""


def spare_stock(waveguide: Waveguide, process: Process) -> float:
    """m, by which the stock is thicker than the part; 0 where its size is not stated."""
    size = process.stock.size
    if size is None or process.stock.kind != "block":
        return 0.0
    spare = size[2] - waveguide.depth - process.seat.depth
    return spare if spare > THINNEST else 0.0


def over_frame(process: Process, faced: float) -> Process:
    """The process with a safe height above the stock that stands `faced` (m) above Z0 round what is milled flat."""
    machine = process.machine
    return replace(process, machine=replace(machine, safe_height=machine.safe_height + faced))


def facing_back(
    waveguide: Waveguide, process: Process, rim: Footprint, *, whole: bool, beside: float = 0.0, pinned: bool = False
) -> Program | None:
    """The program that takes what the stock is too thick off the back, level by level, in rings from the middle out to
    the part's outside; None where the process has no tool for it, or nothing to take off.

    whole  : the part is a block, which the profile cuts free all the way round. pinned : as `back`.
    beside : m, beyond the part's outside, that is milled flat too: what a later program cuts there begins at Z0.
    Errors : InputError if the tool is too short, or the part would come loose.
    """
    spare = spare_stock(waveguide, process)
    if not process.facing_tool or spare == 0.0:
        return None
    tool = process.tool(process.facing_tool)
    words, process = slender_words(process, tool), eased(process, tool)
    check_deep(tool, spare)
    hold = process.hold_down
    if whole and process.profile_tool and hold is not None and hold.kind == "free":
        raise InputError(
            f'[hold_down] kind = "free": the profile has cut the part free down to the {mm(spare)} mm that are milled'
            ' off here, and it would come loose. Write kind = "tabs" or "onion_skin", or plane the back by hand'
        )
    step = ENGAGEMENT * (tool.radius - tool.corner_radius)
    flat = max(0.0, beside - tool.radius + tool.corner_radius)
    narrow = min(rim.half) + flat
    number = max(1, int(np.ceil(narrow / step)))
    inward = narrow * np.arange(number)[::-1] / number
    rings = [rim.beside(away, chord=AROUND_CHORD) for away in (flat - inward).tolist()]
    count, above, legs = max(1, int(np.ceil(spare / process.stepdown - 1e-9))), spare, list[Leg]()
    machine = process.machine
    for level in (spare * np.arange(count)[::-1] / count).tolist():
        legs += cleared(rings, level, above, process, top=spare)
        above = level
    end = np.append(legs[-1].points[-1, :2], spare + machine.safe_height)
    legs.append(Leg(end[None], machine.rapid_feed, rapid=True))
    high = waveguide.depth + process.seat.depth
    setup = [
        "flip the part about its Y axis: +X points where the part's -X pointed, +Y stays",
        where_flipped(pinned=pinned),
        f"Z0 is {high / MILLIMETRE:.3f} above the front face, which lies on the table: {mm(spare)} below the upper side"
        f" of the stock, which is milled off over all of the part{' and the slot round it' if beside > 0.0 else ''}",
        _held(process, whole=whole, body=beside > 0.0),
        *words,
    ]
    return assembled(
        FACING_BACK,
        tool,
        legs,
        datum=BACK_DATUM,
        kind="milling",
        setup=setup,
        chord=AROUND_CHORD,
        engagement=process.stepdown + tool.corner_radius,
    )


def where_flipped(*, pinned: bool) -> str:
    """Where X and Y are once the part is flipped. pinned : whether the front's programs drilled holes for pins."""
    if pinned:
        return (
            "pins: put them into the holes that the program pins left in the spoil board, and the stock on them; X0 Y0"
            " stays where it was"
        )
    return "X0 Y0: indicate the throat's rim, or the pins that the front was clamped on"


def _held(process: Process, *, whole: bool, body: bool) -> str:
    hold = process.hold_down
    if hold is None or not process.profile_tool:
        return "hold the stock beside the part: nothing may stand where the cutter goes"
    by = f"the stock round the part is held by {hold.by}"
    if not whole:
        return f"{by}; what stands behind the {'widest place' if body else 'flange'} is one with it"
    keeps = "the tabs" if hold.kind == "tabs" else f"the skin of {mm(hold.skin)}"
    return f"{by}, and {keeps} hold the part in it once the last level is off"
