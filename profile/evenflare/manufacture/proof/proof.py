"""Proof of programs by cutting in software: what each leaves, its worst places, and `proof.json`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.part.oblong_sizes import OblongSizes, flange_bolts
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.process.types import DriverSeat, Tool
from evenflare.manufacture.proof.back_truth import back_truth
from evenflare.manufacture.proof.deviation import Deviation, Worst, deviation
from evenflare.manufacture.proof.simulate import Contact, Workpiece, cut, stock
from evenflare.manufacture.proof.truth import Front, truth
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.words import rounded_mm

_mm = partial(rounded_mm, decimals=4)

GRID = 0.2 * MILLIMETRE
"""A ball's dent is seen shallower by up to grid^2 / 4 over the radius of ball against wall: 5 um for a ball of 4 mm."""
LARGEST_RASTER = 4000
"""Cells across: 128 MB. A larger part is proved on a coarser grid."""
TURNED_GRID = 0.02 * MILLIMETRE
"""Of a half-section, whose cells are few."""
ROUNDED = 1e-6
"""m, by which an engagement may exceed what is stated: numbers of a program end at 0.1 um, and ramps add a few."""
LEFT, LEFT_SHARE = 0.003 * MILLIMETRE, 0.1
"""Beyond the scallop height, that a finished wall may keep: m, or a share of the tolerance. Raster, facets and digits
together see ridges up to 0.001 mm higher than they are."""
BACK = "back"
"""The program that is run with the back up."""
BOLT_CLEARANCE = 10 * MILLIMETRE
"""Radius around a bolt within which the front face is not compared: hole, countersink or washer."""


@dataclass(frozen=True)
class ProgramProof:
    """What one program left. Lengths in m.

    gouge, leftover  : the greatest, along the normal; the gouge counts how far shank and holder reached into material.
    contacts         : of rapid moves, shank and holder with material.
    engagement       : the greatest, of the cutter, as Program counts it; engagement_stated : what it promises, inf if
                       it promises nothing.
    tolerance        : for the gouge.
    leftover_allowed : of the program that finishes: the scallop height and a share of the tolerance, of the back all
                       of it; None where stock is left for another.
    programmed_point : of a turning program.
    map              : for a picture.
    """

    program: str
    tool: Tool
    datum: str
    gouge: Worst
    leftover: Worst
    plug: float
    contacts: tuple[Contact, ...]
    engagement: Worst
    engagement_stated: float
    grid: float
    tolerance: float
    leftover_allowed: float | None
    programmed_point: str | None
    map: Deviation

    @property
    def accepted(self) -> bool:
        """Whether gouge, leftover and engagement are within what is allowed and nothing touched what it must not."""
        kept = self.engagement_kept and self.leftover_within is not False
        return self.gouge.size <= self.tolerance and not self.contacts and kept

    @property
    def engagement_kept(self) -> bool:
        """Whether the cutter met no more material than the program promises."""
        return self.engagement.size <= self.engagement_stated + ROUNDED

    @property
    def leftover_within(self) -> bool | None:
        """Whether the leftover is at most what is allowed; None where nothing is promised."""
        return None if self.leftover_allowed is None else self.leftover.size <= self.leftover_allowed


@dataclass(frozen=True)
class Proof:
    """Of all programs of one part, in the order in which they are run."""

    programs: tuple[ProgramProof, ...]

    @property
    def passed(self) -> bool:
        """Whether every program did."""
        return all(each.accepted for each in self.programs)


def front_of(sizes: Sizes | OblongSizes) -> Front:
    """The front face of a part and the places of its bolts."""
    holes = tuple((x, y, BOLT_CLEARANCE) for x, y in flange_bolts(sizes))
    if sizes.flange_diameter is not None:
        return Front((0.5 * sizes.flange_diameter, 0.5 * sizes.flange_diameter), holes=holes)
    return Front((0.5 * (sizes.flange_width or 0.0), 0.5 * (sizes.flange_height or 0.0)), round=False, holes=holes)


def prove(
    waveguide: Waveguide,
    programs: Sequence[Program],
    *,
    sizes: Sizes | OblongSizes,
    tolerance: float,
    scallop_height: float,
    seat: DriverSeat | None = None,
    hole_depth: float | None = None,
    block: tuple[float, float] | None = None,
    top: float = 0.0,
    grid: float | None = None,
    bore: float = 0.0,
    programmed_point: str = "nose_centre",
) -> Proof:
    """Cut a part in software with programs as read back from their files, in the order given: roughing, then finishing.

    Milling from the front, from the back (the program of that name) and turning each begin with full stock of their
    own. The last of each finishes.
    sizes            : of the part, for its faces.
    seat, hole_depth : what the back's program cuts; the depth, m, where holes end before the wall.
    block            : m, x and y of the stock; left out: the part's own.
    top              : m, of the stock's upper side above the front face.
    grid             : m; left out: GRID or what LARGEST_RASTER asks for, and TURNED_GRID for turning.
    bore             : m, radius of the hole drilled before turning.
    programmed_point : of turning programs.
    Errors           : InputError for a grid that is out of range, or a turning program for an oblong part.
    """
    face, finished = front_of(sizes), {}
    # Ridges are what was asked for and no more: a single place that lies too high shows as hardly more than that.
    beyond = max(LEFT, LEFT_SHARE * tolerance)
    setups = [_setup(program) for program in programs]
    for setup in dict.fromkeys(setups):
        half = np.maximum(face.size, np.zeros(2) if block is None or setup == "back" else 0.5 * np.asarray(block))
        step = checked_grid(grid, 2.0 * float(half.max()), turned=setup == "turning")
        if setup == "back":
            asked = seat or DriverSeat()
            deep = asked.hole_depth if hole_depth is None else hole_depth
            throat = waveguide.meridian.throat_radius if waveguide.is_round else waveguide.surface.throat_radius
            piece = stock(back_truth(asked, hole_depth=deep, throat_radius=throat, face=face, step=step))
        elif setup == "turning" and not waveguide.is_round:
            raise InputError("turning: the waveguide is oblong, and a lathe turns round parts. Take a router")
        else:
            size, turned = (float(half[0]), float(half[1])), setup == "turning"
            exact = truth(waveguide, step=step, half_size=size, front=face, half_section=turned)
            piece = stock(exact, top=top, bore=bore if turned else 0.0)
        here = [number for number, other in enumerate(setups) if other == setup]
        for number in here:
            piece, contacts = cut(piece, programs[number], programmed_point=programmed_point)
            finished[number] = _judged(
                programs[number],
                piece,
                contacts,
                tolerance=tolerance,
                allowed=None if number != here[-1] else scallop_height + (tolerance if setup == BACK else beyond),
                programmed_point=programmed_point if setup == "turning" else None,
            )
    return Proof(tuple(finished[number] for number in range(len(programs))))


def _setup(program: Program) -> str:
    """Programs of one set-up follow one another on one workpiece."""
    return "back" if program.name == BACK else program.kind


def checked_grid(grid: float | None, size: float, *, turned: bool) -> float:
    """The step of a raster across `size`, m. Errors: InputError unless it is above 0 and leaves a raster in memory."""
    if turned:
        return TURNED_GRID if grid is None else min(grid, TURNED_GRID)
    finest = size / LARGEST_RASTER
    if grid is None:
        return max(GRID, finest)
    if not finest <= grid <= 2 * MILLIMETRE:
        raise InputError(
            f"grid_mm = {grid / MILLIMETRE:g}: must be {finest / MILLIMETRE:.3g} to 2 for a part of"
            f" {size / MILLIMETRE:.4g} mm. Change it, or leave it out"
        )
    return grid


def _judged(
    program: Program,
    piece: Workpiece,
    contacts: tuple[Contact, ...],
    *,
    tolerance: float,
    allowed: float | None,
    programmed_point: str | None,
) -> ProgramProof:
    found, engaged = deviation(piece), piece.engaged
    collisions = [Worst(each.depth, each.place) for each in contacts if each.what != "rapid move"]
    return ProgramProof(
        program=program.name,
        tool=program.tool,
        datum=program.datum,
        gouge=max([found.gouge, *collisions], key=lambda worst: worst.size),
        leftover=found.leftover,
        plug=found.plug,
        contacts=contacts,
        engagement=Worst(0.0, (0.0, 0.0, 0.0)) if engaged is None else Worst(engaged.depth, engaged.place),
        engagement_stated=program.greatest_engagement,
        grid=piece.truth.step,
        tolerance=tolerance,
        leftover_allowed=allowed,
        programmed_point=programmed_point,
        map=found,
    )


def write_proof(proof: Proof, path: Path) -> None:
    """Write `proof.json`, lengths in mm to 0.0001. Errors: InputError if it cannot be written."""
    write_text(path, json.dumps({"programs": [_told(each) for each in proof.programs]}, indent=2) + "\n")


def _told(proof: ProgramProof) -> dict[str, object]:
    tool = proof.tool
    entry: dict[str, object] = {
        "program": proof.program,
        "tool": {
            "kind": tool.kind,
            "diameter_mm": _mm(tool.diameter),
            "corner_radius_mm": _mm(0.5 * tool.diameter if tool.kind == "ball" else tool.corner_radius),
        },
        "datum": proof.datum,
        "greatest_gouge_mm": _mm(proof.gouge.size),
        "greatest_gouge_at_mm": [_mm(value) for value in proof.gouge.place],
        "greatest_leftover_mm": _mm(proof.leftover.size),
        "greatest_leftover_at_mm": [_mm(value) for value in proof.leftover.place],
        "greatest_engagement_mm": _mm(proof.engagement.size),
        "greatest_engagement_at_mm": [_mm(value) for value in proof.engagement.place],
        "engagement_stated_mm": _mm(proof.engagement_stated) if np.isfinite(proof.engagement_stated) else None,
        "throat_plug_mm": _mm(proof.plug),
        "grid_mm": _mm(proof.grid),
        "tolerance_mm": _mm(proof.tolerance),
        "leftover_allowed_mm": None if proof.leftover_allowed is None else _mm(proof.leftover_allowed),
        "leftover_within": proof.leftover_within,
        "contacts": [
            {
                "what": each.what,
                "depth_mm": _mm(each.depth),
                "at_mm": [_mm(value) for value in each.place],
                "point": each.row,
            }
            for each in proof.contacts
        ],
        "verdict": "pass" if proof.accepted else "fail",
    }
    if proof.programmed_point is not None:
        entry["programmed_point"] = proof.programmed_point
    return entry
