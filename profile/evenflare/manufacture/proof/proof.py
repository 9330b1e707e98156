"""Proof of programs by cutting in software: what each leaves, its worst places, and `proof.json`."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.milling.facing import FACING_BACK
from evenflare.manufacture.milling.finishing import SEMI
from evenflare.manufacture.milling.operations import AFTER_FLIP, COUNTERSINKS, HOLES, OPERATIONS, PINS
from evenflare.manufacture.milling.outside_milled import BACK_ROUGH, ROUGH
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.rest import REST
from evenflare.manufacture.milling.seat import BACK, DRIVER_HOLES
from evenflare.manufacture.milling.turning_outside import FACING, OUTSIDE, OUTSIDE_BACK, TURNED_BACK
from evenflare.manufacture.part.bolts import bolt_places, front_places
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes, flange_bolts
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rim import rim_of
from evenflare.manufacture.process.types import DriverSeat, Tool
from evenflare.manufacture.proof.around import Around, dense, departures
from evenflare.manufacture.proof.around_body import flat_truth
from evenflare.manufacture.proof.back_truth import UPRIGHT, back_truth, turned_back_truth
from evenflare.manufacture.proof.deviation import Deviation, Worst, deviation
from evenflare.manufacture.proof.hole_walls import Upright, hole_walls
from evenflare.manufacture.proof.rough_truth import Prepared, too_high
from evenflare.manufacture.proof.simulate import Contact, Workpiece, cut, stock
from evenflare.manufacture.proof.truth import Front, truth
from evenflare.manufacture.wall.oblong_curves import section
from evenflare.units import MILLIMETRE, FloatArray
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
PREPARING = ("roughing", REST, SEMI, "turning_roughing", ROUGH, BACK_ROUGH)
"""Programs that leave stock on the wall by intent."""
BEHIND = (FACING_BACK, BACK, DRIVER_HOLES)
"""The programs that are run with the back up, on one workpiece."""
MOUTH_CHORD = 0.01 * MILLIMETRE
"""Of an oblong mouth's rim, within which the wall is compared; far less than a step of the raster."""
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
                       of it; of one that prepares what it states; None where levels stand.
    too_high         : by how much material stands higher than the program's levels leave it, in height; None of a
                       program that states none.
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
    too_high: Worst | None = None

    @property
    def accepted(self) -> bool:
        """Whether all that is measured is within what is allowed, and nothing touched what it must not."""
        kept = self.engagement_kept and self.leftover_within is not False
        kept = kept and (self.too_high is None or self.too_high.size <= self.tolerance)
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


def front_of(sizes: Sizes | OblongSizes, features: Features = PLAIN, *, step: float = 0.0) -> Front:
    """The front face of a part, less what else is cut from it and UPRIGHT steps, and the places of its bolts."""
    front = features.front
    holes = [(x, y, BOLT_CLEARANCE) for x, y in flange_bolts(sizes)]
    holes += [(x, y, 0.5 * front.widest + UPRIGHT * step) for x, y in front_places(sizes, front)]
    rim = rim_of(sizes)
    taken = max(features.edge_radius, features.rebate_width) + (UPRIGHT * step if features.has_rim else 0.0)
    return Front((rim.half[0] - taken, rim.half[1] - taken), round=rim.round, holes=tuple(holes))


def mouth_of(waveguide: Waveguide, inset: float) -> Front:
    """What of the front plane lies within the mouth, `inset` m off its rim: of a body nothing else does."""
    if waveguide.is_round:
        return Front((waveguide.meridian.mouth_radius - inset,) * 2)
    mouth = waveguide.surface.mouth
    outline = section(waveguide.surface, mouth.depth, chord_error=MOUTH_CHORD)
    return Front((mouth.half_width - inset, mouth.half_height - inset), round=False, outline=_inside(outline, inset))


def _inside(outline: FloatArray, inset: float) -> FloatArray:
    import shapely

    return np.asarray(shapely.Polygon(outline).buffer(-inset).exterior.coords)


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
    spare: float = 0.0,
    grid: float | None = None,
    bore: float = 0.0,
    programmed_point: str = "nose_centre",
    around: Around | None = None,
    leaves: Mapping[str, Prepared] | None = None,
) -> Proof:
    """Cut a part in software with programs as read back from their files, in the order given: roughing, then finishing.

    Milling from the front, from the back (the program of that name) and turning each begin with full stock of their
    own. The last of each finishes, but for PREPARING: where finishing cannot be made, these leave what they state.
    sizes            : of the part, for its faces.
    seat, hole_depth : what the back's program cuts; the depth, m, where holes end before the wall.
    block            : m, x and y of the stock; left out: the part's own.
    top              : m, of the stock's upper side above the front face.
    spare            : m, of the stock behind the back face, which a program mills off.
    grid             : m; left out: GRID or what LARGEST_RASTER asks for, and TURNED_GRID for turning.
    bore             : m, radius of the hole drilled before turning.
    programmed_point : of turning programs.
    around           : what programs of OPERATIONS should leave, each of which finishes its own.
    leaves           : by name, what programs of preparation state that they leave.
    Errors           : InputError for a grid that is out of range, or a turning program for an oblong part.
    """
    face, finished = front_of(sizes), {}
    # Ridges are what was asked for and no more: a single place that lies too high shows as hardly more than that.
    beyond = max(LEFT, LEFT_SHARE * tolerance)
    setups = [_setup(program) for program in programs]
    for setup in dict.fromkeys(setups):
        facings = [program for program in programs if program.name == FACING_BACK]
        over = spare if setup in (BACK, OUTSIDE_BACK) and facings else 0.0
        lathe = programs[setups.index(setup)].kind == "turning"
        # What is turned in a later chucking has its outside already.
        framed = block is not None and (setup != BACK or over > 0.0) and not (lathe and setup != "turning")
        half = np.maximum(face.size, 0.5 * np.asarray(block) if framed else np.zeros(2))
        step = checked_grid(grid, 2.0 * float(half.max()), turned=lathe)
        asked = seat or DriverSeat()
        deep = asked.hole_depth if hole_depth is None else hole_depth
        if setup == BACK:
            throat = waveguide.meridian.throat_radius if waveguide.is_round else waveguide.surface.throat_radius
            room = (float(half[0]), float(half[1]))
            bare = back_truth(asked, hole_depth=deep, throat_radius=throat, face=face, step=step, half=room)
            piece = stock(bare, top=over)
        elif setup == TURNED_BACK:
            nose = programs[setups.index(setup)].tool.corner_radius
            throat = waveguide.meridian.throat_radius
            bare = turned_back_truth(asked, throat_radius=throat, radius=face.size[0], nose=nose, step=step)
            piece = stock(bare, top=FACING, bore=throat)
        elif setup == OUTSIDE_BACK:
            flat = 0.5 * asked.diameter, around.sides[1].side.inner if around else 0.0
            piece = stock(
                flat_truth((flat[0] + UPRIGHT * step, flat[1] - UPRIGHT * step), half.max(), step=step, turned=lathe),
                top=FACING if lathe else over,
                bore=flat[0] if lathe else 0.0,
            )
            for program in facings if over > 0.0 else ():
                piece, _ = cut(piece, program)  # What it leaves standing round the slot is in the way.
        elif setup == "turning" and not waveguide.is_round:
            raise InputError("turning: the waveguide is oblong, and a lathe turns round parts. Take a router")
        else:
            size, turned = (float(half[0]), float(half[1])), setup == "turning"
            cut_away = face if around is None else front_of(sizes, around.features, step=step)
            if around is not None and around.sides:
                cut_away = mouth_of(waveguide, UPRIGHT * step)
            exact = truth(waveguide, step=step, half_size=size, front=cut_away, half_section=turned)
            faced = any(program.name == OUTSIDE for program in programs)
            piece = stock(exact, top=FACING if turned and faced else top, bore=bore if turned else 0.0)
        here = [number for number, other in enumerate(setups) if other == setup]
        beside = (*OPERATIONS, FACING_BACK, OUTSIDE, OUTSIDE_BACK)
        walls = [number for number in here if programs[number].name not in beside]
        for number in here:
            moved = _as_bored(programs[number], programmed_point)
            outward, name = programs[number].name in (OUTSIDE, OUTSIDE_BACK), programs[number].name
            piece, contacts = cut(piece, moved, programmed_point=programmed_point, outward=outward)
            others, holes = None, None
            states = (leaves or {}).get(name, Prepared())
            if name == (DRIVER_HOLES if any(each.name == DRIVER_HOLES for each in programs) else BACK):
                floor, wide = -asked.depth, 0.5 * asked.hole_diameter
                behind = [(-x, y) for x, y in bolt_places(asked)]
                holes = hole_walls(moved.tool, dense(moved), behind, wide, tip=floor - deep, floor=floor)
            if programs[number].name in beside:
                if around is None:
                    raise ValueError(f"{programs[number].name}: needs what it should leave, around")
                others = departures(_of_tip(moved, programmed_point), piece, around)
            # A body's outside is as much of what sounds as its wall.
            coarse = (others is not None and not (around and around.sides)) or setup in (BACK, TURNED_BACK)
            coarse |= programs[number].name in (PINS, HOLES, COUNTERSINKS)
            finished[number] = _judged(
                programs[number],
                piece,
                contacts,
                tolerance=tolerance,
                allowed=scallop_height + (tolerance if coarse else beyond)
                if (others or walls[-1:] == [number]) and name not in PREPARING
                else states.left,
                programmed_point=programmed_point if setup == "turning" else None,
                others=others,
                holes=holes,
                states=states,
            )
    return Proof(tuple(finished[number] for number in range(len(programs))))


def _as_bored(program: Program, programmed_point: str) -> Program:
    """A program whose points count as those of a boring tool; of an outside tool the imaginary tip lies on the other
    side of the nose, and no bar stands in a bore.
    """
    if program.name not in (OUTSIDE, OUTSIDE_BACK):
        return program
    tool, position = program.tool, np.array(program.position)
    if programmed_point == "imaginary_tip":
        position[:, 0] += 2.0 * tool.corner_radius
    return replace(program, tool=replace(tool, shank_diameter=0.0), position=position)


def _of_tip(program: Program, programmed_point: str) -> Program:
    """A turning program with the places of the nose's lowest point, as of a ball; any other as it is."""
    if program.kind != "turning":
        return program
    nose, position = program.tool.corner_radius, np.array(program.position)
    position[:, 0] -= nose if programmed_point == "imaginary_tip" else 0.0
    position[:, 2] -= nose if programmed_point == "nose_centre" else 0.0
    return replace(program, position=position)


def _setup(program: Program) -> str:
    """Programs of one set-up follow one another on one workpiece."""
    if program.name in AFTER_FLIP:
        return OUTSIDE_BACK
    if program.name in BEHIND:
        return BACK
    return program.name if program.name in (TURNED_BACK, OUTSIDE_BACK) else program.kind


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
    others: Deviation | None,
    holes: Upright | None,
    states: Prepared,
) -> ProgramProof:
    """others : of what is cut beside the wall, which is looked at then for gouges only; holes : of the back."""
    wall = deviation(piece)
    found = wall if others is None else replace(others, gouge=max(wall.gouge, others.gouge, key=lambda w: w.size))
    if holes is not None:
        gouge, leftover = (
            max(pair, key=lambda w: w.size) for pair in zip((found.gouge, found.leftover), holes, strict=True)
        )
        found = replace(found, gouge=gouge, leftover=leftover)
    engaged = piece.engaged
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
        too_high=too_high(piece, states),
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
        "too_high_mm": None if proof.too_high is None else _mm(proof.too_high.size),
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
