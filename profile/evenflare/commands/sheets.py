"""The sheets on paper that go with an export for a process."""

from __future__ import annotations

from pathlib import Path

from evenflare.commands.written import Written
from evenflare.design.file import Design, design_id
from evenflare.manufacture.part.features import features_words
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.proof.programs import Proved
from evenflare.report.kit import paper
from evenflare.report.shop import part_drawing, setup_sheet


def write_sheets(design: Design, solid: SolidFile, process: Process, proved: Proved, folder: Path) -> Written:
    """`drawing.pdf` and `setup_sheet.pdf`."""
    named = {"name": design.name, "design_id": design_id(design)}
    title = f"{design.name} {named['design_id']}"
    drawing = part_drawing.drawing(design.waveguide, solid, process, **named)
    paper.write_pdf([drawing], folder / "drawing.pdf", title=f"{title}: drawing")
    pages = setup_sheet.pages(
        design.waveguide,
        process,
        proved.programs,
        proved.proof,
        stock=proved.stock,
        by_hand=features_words(solid.features, process),
        **named,
    )
    paper.write_pdf(pages, folder / "setup_sheet.pdf", title=f"{title}: set-up sheet")
    return [
        ("drawing.pdf", "section, front and sizes on one page"),
        ("setup_sheet.pdf", "for the bench: order of work, datums, tools, times, proof, cautions"),
    ]
