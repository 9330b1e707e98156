"""The files of a printed prototype: a 3MF file for each piece, and what is to be known of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

from evenflare.files import InputError, write_text
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.part.threemf import write_3mf
from evenflare.manufacture.printing.pieces import Joint, PrintedPart, split
from evenflare.manufacture.process.types import Printing, Process
from evenflare.text import one_line, table
from evenflare.units import DEGREE, MILLIMETRE, PERCENT
from evenflare.waveguide import Waveguide
from evenflare.words import fixed_mm

_mm = partial(fixed_mm, decimals=3)

COLUMNS = (
    *("piece", "file", "size_x_mm", "size_y_mm", "size_z_mm", "at_x_mm", "at_y_mm", "at_z_mm"),
    *("volume_cm3", "mass_g", "support_mm2", "support_on_wall_mm2"),
)
CAUTIONS = (
    "caution: nozzle and bed burn; belts and screws of the axes pinch: hands off while it moves.",
    "caution: melting polymer gives off vapour and ultrafine dust: ventilate or filter, and stay out of the room.",
    "caution: watch the first layers, keep a smoke alarm beside a printer that runs by itself.",
    "caution: sanding prints makes fine dust, glues and solvents harm skin, eyes and lungs: mask, gloves, air.",
    "caution: the machine's and the maker's sheets and local codes come before this one.",
)
_SQUARE = 1e-6
_CUBIC = 1e-6


@dataclass(frozen=True)
class PrintFiles:
    """What was written: the pieces' files, and the sheet that tells of them."""

    printed: PrintedPart
    pieces: tuple[Path, ...]
    sheet: Path


def export_prints(
    waveguide: Waveguide,
    solid: SolidFile,
    process: Process,
    folder: Path,
    *,
    chord_error: float,
    design_id: str,
    name: str,
) -> PrintFiles:
    """Write `piece_1.3mf` and so on, and their sheet `pieces.csv`. All is worked out before any is written.

    solid  : as exported.
    Errors : InputError as split, for a wall thinner than prints, or if a file cannot be written.
    """
    printing = process.printing
    if printing is None:
        raise InputError(
            f'process "{process.name}" [print]: missing, a print needs build_volume_mm and shrinkage_percent. Add it,'
            " or name a process that has one: print"
        )
    _check_wall(solid.sizes, printing)
    made = split(solid.mesh, waveguide, printing, chord_error=chord_error)
    pieces = tuple(folder / f"piece_{number}.3mf" for number in range(1, len(made.pieces) + 1))
    sheet = folder / "pieces.csv"
    text = _sheet_text(made, process, (f"design: {one_line(name)}", f"design id: {one_line(design_id)}"))
    for number, (path, piece) in enumerate(zip(pieces, made.pieces, strict=True), start=1):
        write_3mf(piece.mesh, path, title=f"{design_id} piece {number} of {len(pieces)} x{made.factor:.5f} {name}")
    write_text(sheet, text)
    return PrintFiles(made, pieces, sheet)


def _check_wall(sizes: Sizes | OblongSizes, printing: Printing) -> None:
    """InputError if a shell's wall, or its flange, is thinner than the printer prints soundly."""
    if sizes.kind != "shell":
        return
    for key, thick in (("wall_mm", sizes.wall), ("flange_thickness_mm", sizes.flange_thickness)):
        if thick < printing.least_wall - 1e-9:
            least = printing.least_wall / MILLIMETRE
            raise InputError(
                f"[print] least_wall_mm = {least:g}: the part's {key} is {thick / MILLIMETRE:g}, must be at least"
                f" that. Write [solid] {key} = {least:g}, or lower least_wall_mm if the printer is finer"
            )


def _sheet_text(made: PrintedPart, process: Process, named: tuple[str, ...]) -> str:
    """The CSV: each piece's file, sizes as printed, where it stands in the part, and what of it needs support."""
    printing = process.printing
    assert printing is not None
    header = [
        "evenflare pieces of a printed prototype, to be glued; each stands as it is printed, the throat's side down",
        *named,
        "units: mm; size: of the print; at: of the piece's lowest corner in the enlarged part, x and y from the axis,"
        " z from the throat plane, rising to the mouth",
        *_lines(made, process),
        *CAUTIONS,
    ]
    rows = []
    for number, piece in enumerate(made.pieces, start=1):
        rows.append(
            (
                *(str(number), f"piece_{number}.3mf", *map(_mm, piece.size), *map(_mm, piece.place)),
                *(f"{piece.volume / _CUBIC:.2f}", f"{piece.volume * process.density * 1e3:.1f}"),
                *(f"{piece.support / _SQUARE:.0f}", f"{piece.support_on_wall / _SQUARE:.0f}"),
            )
        )
    return table(COLUMNS, rows, header=header)


def _lines(made: PrintedPart, process: Process) -> list[str]:
    """Shrinkage, layers, supports, joints, in words."""
    printing = process.printing
    assert printing is not None
    count = len(made.pieces)
    told = [
        f"{count} piece{'' if count == 1 else 's'}, enlarged by {made.factor:.5f} for a shrinkage of"
        f" {printing.shrinkage / PERCENT:g} %: it is in the files, do not add it again",
        f"layers of {printing.layer / MILLIMETRE:g} mm; density and mass are of solid material",
        _supports(made, printing),
    ]
    if made.joints:
        seams = "fill and sand the seams of the waveguide's wall flush"
        told.append(f"glue in the order of the numbers on a flat surface; {seams}")
        told += [_joint(number, joint, printing) for number, joint in enumerate(made.joints, start=1)]
    return told


def _supports(made: PrintedPart, printing: Printing) -> str:
    whole = sum(piece.support for piece in made.pieces) / _SQUARE
    wall = sum(piece.support_on_wall for piece in made.pieces) / _SQUARE
    limit = f"{printing.overhang / DEGREE:g} degrees from upright"
    if wall >= 1.0:
        on_wall = f"of these {wall:.0f} mm2 are the waveguide's wall: sand them to the zones of the drawing"
    else:
        on_wall = "none of them on the waveguide's wall"
    return f"faces that look down more than {limit} and need support: {whole:.0f} mm2, {on_wall}"


def _joint(number: int, joint: Joint, printing: Printing) -> str:
    if not joint.pins:
        return f"joint {number}, {joint.plane} of the part: no room for pins, align it by eye and straight edge"
    places = ", ".join(f"({'; '.join(_mm(each) for each in pin)})" for pin in joint.pins)
    return (
        f"joint {number}, {joint.plane} of the part: pins of {printing.pin_diameter / MILLIMETRE:g} x"
        f" {printing.pin_length / MILLIMETRE:g} mm at x; y; z = {places}"
    )
