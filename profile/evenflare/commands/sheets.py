"""The sheets on paper that go with an export for a process."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from evenflare.commands.written import Written
from evenflare.design.file import Design
from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.proof.programs import Proved
from evenflare.report.shop import part_drawing, setup_sheet


def write_sheets(
    design: Design,
    solid: SolidFile,
    process: Process,
    proved: Proved,
    asked: WallAsked,
    folder: Path,
    *,
    gauged: bool = False,
    changes: Sequence[str] = (),
) -> Written:
    """`drawing.pdf`, `drawing.dxf`, `setup_sheet.pdf`. asked : of the wall; gauged : whether gauges lie beside them.

    changes : what is not made as asked.
    """
    part_drawing.write_drawing(design, solid, process, asked, folder / "drawing.pdf", dxf=folder / "drawing.dxf")
    path = folder / "setup_sheet.pdf"
    setup_sheet.write_setup_sheet(design, solid, process, proved, asked, path, gauged=gauged, changes=changes)
    return [
        ("drawing.pdf", "views, sizes, what is asked of the wall by zone, and how it is set out by hand"),
        ("drawing.dxf", "its views in mm of the part, for a CAD program"),
        ("setup_sheet.pdf", "for the bench: order of work, datums, tools, times, proof, cautions"),
    ]
