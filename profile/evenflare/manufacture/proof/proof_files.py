"""Proof of programs as they stand in their files: read back from disk, with what their headers ask of the workshop."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import within_reach
from evenflare.manufacture.milling.drilling import hole_maker
from evenflare.manufacture.milling.facing import FACING_BACK, spare_stock
from evenflare.manufacture.milling.finishing import SEMI
from evenflare.manufacture.milling.gcode_reader import ReadProgram, read_gcode
from evenflare.manufacture.milling.operations import COUNTERSINKS, EDGE, HOLES, PINS, PROFILE, REBATE
from evenflare.manufacture.milling.outside_milled import BACK_FINE, BACK_ROUGH, FINE, ROUGH
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.programs import stock_size
from evenflare.manufacture.milling.rest import REST
from evenflare.manufacture.milling.seat import BACK, DRIVER_HOLES, driver_tool, passes
from evenflare.manufacture.milling.turning_outside import OUTSIDE, OUTSIDE_BACK, TURNED_BACK
from evenflare.manufacture.part.bolts import hole_depth
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.proof.around import around_part
from evenflare.manufacture.proof.outside_rough_truth import outsides_prepared
from evenflare.manufacture.proof.proof import Proof, prove
from evenflare.manufacture.proof.rough_truth import prepared
from evenflare.manufacture.proof.simulate import PROGRAMMED_POINTS
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide

# From the line's start: a name in another line may say what it likes.
_BORE = re.compile(r"set-up: drill a bore of diameter ([\d.]+) along the axis")
_ENGAGEMENT = re.compile(r"set-up: greatest engagement ([\d.]+) ")
_POINT = re.compile(r"programmed_point: (\w+)")


def prove_files(
    waveguide: Waveguide,
    paths: Sequence[Path],
    process: Process,
    *,
    sizes: Sizes | OblongSizes,
    features: Features = PLAIN,
    grid: float | None = None,
) -> Proof:
    """Cut a part in software with the programs in files, in the order in which they are run; see prove.

    A bore to drill first and the programmed point are taken from the files' headers, as a machinist takes them. Where
    the process leaves stock in hollows that the finishing tool does not reach, the wall closed by it is compared.
    features : cut from the part; grid : m, see prove.
    Errors : InputError as read_gcode and prove, for a turning program without its programmed point, and for a file
             name that is no program of a process.
    """
    controller, rapid = process.controller, process.machine.rapid_feed
    read = [
        read_gcode(path, tool=_tool(path, process, features), rapid_feed=rapid, controller=controller) for path in paths
    ]
    size = process.stock.size
    turned = [each for each in read if each.program.kind == "turning"]
    points = {_point(each) for each in turned}
    if len(points) > 1:
        raise InputError(f"programmed_point: {' and '.join(sorted(points))} in one set-up. Export the programs again")
    bores = [found for each in turned if (found := _millimetres(each, _BORE)) is not None]
    wall, seat = within_reach(waveguide, process)[0], process.seat
    if seat.bolts and process.seat_tool and not passes(process.tool(process.seat_tool), seat):
        # Where no program has the holes, for want of a tool, none is asked of the back.
        seat = seat if any(each.program.name == DRIVER_HOLES for each in read) else replace(seat, bolts=0)
    around = around_part(waveguide, process, sizes, features, pinned=any(each.program.name == PINS for each in read))
    return prove(
        wall,
        [_stated(each) for each in read],
        sizes=sizes,
        # What the controller may cut off corners is no longer there for the program.
        tolerance=process.tolerance - (controller.corner_tolerance if controller.path_tolerance else 0.0),
        scallop_height=process.scallop_height,
        seat=seat,
        hole_depth=hole_depth(waveguide, seat) if seat.bolts else None,
        block=(stock_size(waveguide, process, sizes) if size is None else size)[:2],
        bore=0.5 * bores[0] if bores else 0.0,
        spare=spare_stock(waveguide, process),
        grid=grid,
        programmed_point=points.pop() if points else PROGRAMMED_POINTS[0],
        around=around,
        leaves={**prepared(wall, process), **outsides_prepared(process, around.sides)},
    )


def _tool(path: Path, process: Process, features: Features) -> Tool:
    tools = {
        "roughing": process.roughing_tool,
        REST: process.rest_tool,
        SEMI: process.semi_finishing_tool,
        "finishing": process.finishing_tool,
        "turning_roughing": process.roughing_tool,
        "turning": process.finishing_tool,
        BACK: process.seat_tool,
        PROFILE: process.profile_tool,
        REBATE: process.rebate_tool,
        EDGE: process.edge_tool,
        COUNTERSINKS: process.countersink_tool,
        FACING_BACK: process.facing_tool,
        OUTSIDE: process.outside_tool,
        TURNED_BACK: process.back_tool,
        OUTSIDE_BACK: process.outside_tool,
        **dict.fromkeys((ROUGH, BACK_ROUGH), process.profile_tool),
        **dict.fromkeys((FINE, BACK_FINE), process.finishing_tool),
    }
    if path.stem == DRIVER_HOLES:
        return driver_tool(process)
    if path.stem == HOLES:
        return hole_maker(process, features.front.diameter)
    if path.stem == PINS and process.hold_down is not None:
        return hole_maker(process, process.hold_down.pin_diameter)
    if path.stem not in tools:
        raise InputError(f"{path}: is no program of a process: must be one of {', '.join(tools)}, with .nc")
    return process.tool(tools[path.stem])


def _stated(read: ReadProgram) -> Program:
    """The program with the engagement that its set-up promises."""
    engagement = _millimetres(read, _ENGAGEMENT)
    return read.program if engagement is None else replace(read.program, greatest_engagement=engagement)


def _point(read: ReadProgram) -> str:
    found = _first(read, _POINT)
    if found not in PROGRAMMED_POINTS:
        allowed = " or ".join(PROGRAMMED_POINTS)
        raise InputError(f"{read.program.name}.nc: programmed_point: {found}: must be {allowed}. Export it again")
    return found


def _millimetres(read: ReadProgram, pattern: re.Pattern[str]) -> float | None:
    """m, of a size in mm in a header."""
    found = _first(read, pattern)
    return None if found is None else float(found) * MILLIMETRE


def _first(read: ReadProgram, pattern: re.Pattern[str]) -> str | None:
    return next((found[1] for line in read.header if (found := pattern.match(line))), None)
