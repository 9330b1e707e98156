"""The files of a pattern: its mesh, and the sheet that goes to pattern-maker, foundry and machinist."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.casting.casting import CAUTIONS, READ_TO, hints_for, tolerance
from evenflare.manufacture.casting.draft import Zone, told
from evenflare.manufacture.casting.pattern import Pattern, build_pattern
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import SolidChoice
from evenflare.manufacture.part.rings import radius_at, sizes_of
from evenflare.manufacture.part.stl import write_stl
from evenflare.manufacture.process.types import Process
from evenflare.text import table
from evenflare.units import DEGREE, MILLIMETRE, PERCENT
from evenflare.waveguide import Waveguide
from evenflare.words import fixed_mm

_mm = partial(fixed_mm, decimals=3)

COARSEST = 15
"""The last grade; walls have one grade more than other sizes (ISO 8062-3, from memory)."""

WALL = "wall thickness"
UNHEARD = 0.1 * MILLIMETRE
"""Metal that stays on a body's outside, a thousandth of the wavelength at 3.4 kHz and less than castings vary by."""
MARKED = {"block": "side", "shell": "outside", "body": "back, where it is machined off the casting"}
"""Where the pattern is stamped."""


@dataclass(frozen=True)
class Dimension:
    """One size of the part, m.

    finished  : after machining.
    cast      : nominal, before it.
    tolerance : total, half of it either way, of the size as cast.
    pattern   : on the pattern.
    machined  : whether its faces, one or both, are.
    """

    name: str
    finished: float
    cast: float
    tolerance: float
    pattern: float
    machined: bool


@dataclass(frozen=True)
class PatternFiles:
    """What was written; mass in kg, of the raw casting; core None without a print."""

    pattern: Pattern
    mesh: Path
    sheet: Path
    dimensions: tuple[Dimension, ...]
    mass: float
    core: Path | None = None


def export_pattern(
    waveguide: Waveguide,
    solid: SolidChoice,
    process: Process,
    folder: Path,
    *,
    chord_error: float,
    design_id: str,
    name: str,
    fillet: float | None = None,
) -> PatternFiles:
    """Write `pattern.stl` (mm, z = 0 at the finished throat plane), its sheet `pattern.csv`, with a print `core.stl`.

    All is worked out before any is written. See build_pattern for the arguments.
    Errors: InputError as build_pattern, if the process casts nothing, or a file cannot be written.
    """
    if process.casting is None:
        raise InputError(
            f'process "{process.name}" [casting]: missing, a pattern needs alloy, contraction_percent, contraction_of,'
            " draft_deg, pull, grade and an allowance. Add it, or name a process that has one: casting"
        )
    made = build_pattern(
        waveguide,
        sizes_of(waveguide, solid),
        process.casting,
        chord_error=chord_error,
        seat=process.seat,
        fillet=fillet,
    )
    listed = dimensions(waveguide, made, process)
    text = sheet_text(made, listed, process, design_id=design_id, name=name)
    mesh, sheet = folder / "pattern.stl", folder / "pattern.csv"
    core = None
    if made.core_mesh is not None:
        core = folder / "core.stl"
        write_stl(made.core_mesh, core, title=f"{design_id} CORE x{made.factor:.5f} {name}")
    write_stl(made.mesh, mesh, title=f"{design_id} PATTERN x{made.factor:.5f} {name}")
    write_text(sheet, text)
    return PatternFiles(made, mesh, sheet, listed, made.volume * process.density, core)


def dimensions(waveguide: Waveguide, made: Pattern, process: Process) -> tuple[Dimension, ...]:
    """The sizes that are checked on pattern, casting and part."""
    sizes, seat, grade = made.sizes, process.seat, made.casting.grade
    found: list[Dimension] = []

    def add(name: str, finished: float, cast: float, *, machined: bool = False, coarser: int = 0) -> None:
        width = tolerance(cast, min(COARSEST, grade + coarser))
        found.append(Dimension(name, finished, cast, width, cast * made.factor, machined))

    depth = waveguide.meridian.depth if waveguide.is_round else waveguide.surface.depth
    add("height", depth + seat.depth, made.front - made.back, machined=True)
    if isinstance(sizes, OblongSizes) and sizes.flange_diameter is None:
        outer: tuple[tuple[str, float], ...] = (
            ("width", sizes.flange_width or 0.0),
            ("height across", sizes.flange_height or 0.0),
        )
    else:
        outer = (("diameter", sizes.flange_diameter or 0.0),)
    for axis, (name, size) in enumerate(outer):
        where, cast, all_round = "front", size + 2.0 * made.ahead, False
        if sizes.kind == "body":
            where, cast = "parting line", float(np.ptp(made.mesh.vertices[:, axis])) / made.factor
            all_round = made.wall_stock > 0.0
        add(f"outside {name} at the {where}", size, cast, machined=all_round)
        if sizes.kind == "block":
            add(f"outside {name} at the back", size, size + 2.0 * made.behind)
    if sizes.kind == "shell":
        thick = sizes.flange_thickness
        add("flange thickness", thick, min(thick + 2.0 * made.allowance, made.front - made.back), machined=True)
        if seat.is_cut:
            hub = 2.0 * Features(seat=seat).hub(sizes.wall)[0]
            add("hub diameter at the back", hub, hub)
        add(WALL, sizes.wall, sizes.wall + made.wall_stock, machined=made.wall_stock > 0.0, coarser=1)

    def bore(name: str, half: float, z: float, azimuth: float = 0.0) -> None:
        machined = made.wall_stock > 0.0
        add(name, 2.0 * half, 2.0 * (made.bore_radius(z, azimuth) if machined else half), machined=machined)

    if waveguide.is_round:
        meridian = waveguide.meridian
        waist = float(meridian.dense.r.min())
        bore("mouth diameter", meridian.mouth_radius, depth)
        bore("throat diameter", meridian.throat_radius, 0.0)
        if waist < meridian.throat_radius - 1e-6:
            bore("narrowest diameter", waist, float(meridian.dense.z[meridian.dense.r.argmin()]))
        bore(f"bore diameter at z {_mm(0.5 * depth)}", radius_at(meridian, 0.5 * depth), 0.5 * depth)
    else:
        surface = waveguide.surface
        bore("mouth width", 0.5 * surface.mouth_width, depth)
        bore("mouth height", 0.5 * surface.mouth_height, depth, 0.5 * np.pi)
        bore("throat diameter", surface.throat_radius, 0.0)
    if made.recess is not None:
        diameter, deep = made.recess
        add("recess diameter at its floor", seat.diameter, diameter, machined=True)
        add("recess depth", seat.depth, deep, machined=True)
    return tuple(found)


def marking(made: Pattern, design_id: str) -> str:
    """What is stamped on the pattern: where the casting is not machined, of a body where it is."""
    casting = made.casting
    share = casting.contraction / PERCENT
    return (
        f"{design_id} {casting.alloy.upper()} +{share:g} % OF {casting.contraction_of.upper()}"
        f" MACH {made.allowance / MILLIMETRE:.1f} FRONT UP"
    )


def sheet_text(made: Pattern, listed: tuple[Dimension, ...], process: Process, *, design_id: str, name: str) -> str:
    """The CSV: what was assumed, how it is moulded, sizes on pattern, casting and part."""
    casting, sizes = made.casting, made.sizes
    faces = "front (mouth plane), seat (back)" + (", back of the flange" if sizes.kind == "shell" else "")
    if sizes.kind == "body":
        faces = "back, recess and seat"
    wall = "the waveguide's wall is enlarged and otherwise as designed"
    if made.wall_stock > 0.0:
        whole = sizes.kind == "body"
        faces += ", the waveguide's wall" + (" and the outside" if whole else "") + " along its normal"
        wall = "the waveguide's wall has the allowance on it, to be machined to points.csv after casting"
        wall += ", and the outside to outside.csv" if whole else ""
    rule = "(1 + s)" if casting.contraction_of == "casting" else "1 / (1 - s)"
    grade = (
        "as given"
        if casting.allowance_grade is None
        else (f"RMAG {casting.allowance_grade} (values from memory: verify) and a quarter of the height's tolerance")
    )
    header = [
        "evenflare pattern sheet: pattern.stl is the pattern; do not add contraction or allowance to it again",
        f"design: {name}",
        f"design id: {design_id}",
        "units: mm and degrees; pattern.stl: axis z, z = 0 at the finished throat plane, enlarged from that point",
        f"alloy: {casting.alloy}, {process.density:g} kg per cubic metre; raw casting"
        f" {made.volume * process.density:.2f} kg, {made.volume * 1e3:.4f} litres",
        f"contraction: {casting.contraction / PERCENT:g} % of the {casting.contraction_of}, pattern = casting x {rule},"
        f" that is x {made.factor:.6f}",
        *_hints(casting.alloy),
        f"machining allowance: {_mm(made.allowance)} at casting size, {grade}, on: {faces}",
        f"tolerances: DCTG {casting.grade} of ISO 8062-3:2023 as cast{_remembered(listed, casting.grade)},"
        " half either way; walls one grade coarser (from memory);"
        f" as machined {process.tolerance / MILLIMETRE:g} either way",
        f"draft: {casting.draft / DEGREE:g} degrees on the outside, added as metal; {_fillet(made)}{wall}",
        _parting(made),
        *_moulding(made.zones, made),
        *_walls(listed),
        f"marking, on the {MARKED[sizes.kind]}: {marking(made, design_id)}",
        "bolt holes and the driver's holes are not cast, nor are a rebate or a rounded edge of the front: drill and"
        f" machine them; {_outside(made)}",
        *CAUTIONS,
    ]
    columns = ("dimension", "finished_mm", "as_cast_mm", "as_cast_tolerance_plus_minus_mm", "pattern_mm", "machined")
    rows = (
        (
            *(each.name, _mm(each.finished), _mm(each.cast), _mm(0.5 * each.tolerance), _mm(each.pattern)),
            "yes" if each.machined else "no",
        )
        for each in listed
    )
    return table(columns, rows, header=header)


def _parting(made: Pattern) -> str:
    at = f"at casting z = {_mm(made.parting)}, pattern z = {_mm(made.parting * made.factor)}"
    pull = made.casting.pull
    if made.sizes.kind != "body":
        return (
            f"parting line: around the outside {at}, the raw {pull}; the pattern draws toward its {pull}, the sand"
            " within the waveguide leaves the same way"
        )
    return (
        f"parting line: around the outside {at}, its widest place: a plane. What lies ahead of it, and the sand within"
        " the waveguide, draws toward the front; what lies behind it, and the sand in the recess, toward the back. Bed"
        " the pattern in a board or sand cut to its outside up to that plane, or have it sawn there and dowelled"
    )


def _outside(made: Pattern) -> str:
    """What becomes of the draft's metal."""
    if made.sizes.kind != "body" or made.wall_stock > 0.0:
        return "the outside's draft may stay" if made.sizes.kind != "body" else "the outside's draft is machined off"
    if made.drafted < UNHEARD:
        return f"draft adds {_mm(made.drafted)} to the outside at most: it may stay"
    return (
        f"draft adds up to {_mm(made.drafted)} to the outside, which was not solved: take it off to outside.csv, or"
        " solve the body as cast (body_csv)"
    )


def _remembered(listed: tuple[Dimension, ...], grade: int) -> str:
    """What to say where a tolerance of the grade was not read in a public table."""
    if max(each.cast for each in listed) <= READ_TO[grade] * MILLIMETRE:
        return ""
    return f" (above {READ_TO[grade]:g} mm from memory: verify)"


def _fillet(made: Pattern) -> str:
    if made.sizes.kind != "shell":
        return ""
    if made.fillet == 0.0:
        return "no fillet between wall and flange, where none has room in the file: set one by hand; "
    return f"fillet {_mm(made.fillet)} between wall and flange; "


def _hints(alloy: str) -> list[str]:
    return [
        f"hint, not used: {hint.alloy} {hint.low / PERCENT:.2f} to {hint.high / PERCENT:.2f} % by {hint.source}"
        for hint in hints_for(alloy)
    ]


def _moulding(zones: tuple[Zone, ...], made: Pattern) -> list[str]:
    """Where the wall does not draw, and what to do there."""
    if not zones:
        return [f"draw: the waveguide's wall stands at {made.casting.draft / DEGREE:g} degrees at least everywhere"]
    lines = [f"draw: below {made.casting.draft / DEGREE:g} degrees: {told(zone)}" for zone in zones]
    if made.core is not None:
        core, factor = made.core, made.factor
        whole = made.recess is not None
        lines.append(
            f"core: core.stl, enlarged alike, forms {'recess and bore from the back' if whole else 'the bore from the'}"
            f"{'' if whole else ' throat'} up to z {_mm(core.top * factor)} of the pattern; its print stands"
            f" {_mm(core.length * factor)} out of the raw back and tapers to diameter {_mm(2.0 * core.end * factor)}."
            " The pattern is solid there and carries the print. Clearance between print and mould: the pattern-maker's"
        )
        return lines
    width = max(zone.z_to - zone.z_from for zone in zones)
    radius = float(np.hypot(made.mesh.vertices[:, 0], made.mesh.vertices[:, 1]).min()) / made.factor
    lines.append(
        "draw: there, set a dry-sand core made from this surface (a core box enlarged alike), with a print at the"
        f" throat end of diameter {_mm(2.0 * radius)} and at least as long; or fill the pattern there and machine"
        " the wall to points.csv after casting. Draft on the wall itself would change the sound"
    )
    if width < 2 * MILLIMETRE and min(zone.least for zone in zones) > -1e-6:
        lines.append(
            "draw: the stretch is short and nowhere undercut: a well varnished pattern may draw without either"
        )
    return lines


def _walls(listed: tuple[Dimension, ...]) -> list[str]:
    """How thin a shell's wall may come out."""
    return [
        f"wall: {_mm(each.cast)} as drawn may be {_mm(each.cast - 0.5 * each.tolerance)} within its tolerance: ask the"
        " foundry for the least that runs in this alloy over this size, and thicken wall_mm if need be"
        for each in listed
        if each.name == WALL
    ]
