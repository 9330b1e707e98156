"""Drawings of parts for tests: written from a design without cutting, and read back from the PDF's text alone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pypdf
import pypdfium2

from evenflare.air import Air
from evenflare.design.file import Design, Solid, default_observation
from evenflare.manufacture.gauges.asked import WallAsked, asked_of
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.oblong_sizes import oblong_sizes
from evenflare.manufacture.part.oblong_solid import build_oblong
from evenflare.manufacture.part.outline import solid_sizes
from evenflare.manufacture.part.stl import SolidFile, build_round, solid_file
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Process
from evenflare.report.kit import paper
from evenflare.report.kit.drafting import paint
from evenflare.report.shop.drawn_part import DrawnPart
from evenflare.report.shop.part_drawing import drawn, write_drawing
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.waveguide.cloud import cloud

POINTS = 72.0 / 25.4
"""Of a PDF (ISO 32000-1, 8.3.2.3), to the mm."""
NUMBER = r"-?\d+\.\d+"


def part_of(waveguide: Waveguide, solid: Solid, process: Process) -> SolidFile:
    """The solid as `export` makes it, but coarse; its path is not written."""
    features, coarse = features_of(solid, process), 0.3 * MILLIMETRE
    if waveguide.is_round:
        sizes = solid_sizes(waveguide.meridian, solid, body=waveguide.mounting.body)
        features = fitted(waveguide, sizes, features)
        mesh = build_round(waveguide.meridian, sizes, features, chord_error=coarse)
        return solid_file(Path("solid.stl"), sizes, mesh, features=features)
    wall = cloud(waveguide.surface)
    oblong = oblong_sizes(waveguide.surface, wall, solid, body=waveguide.oblong_body)
    features = fitted(waveguide, oblong, features, wall=wall)
    mesh, thinnest = build_oblong(waveguide.surface, wall, oblong, chord_error=coarse, features=features)
    return solid_file(Path("solid.stl"), oblong, mesh, thinnest, features=features)


def written(
    waveguide: Waveguide,
    folder: Path,
    *,
    solid: Solid | None = None,
    process: Process | str = "router",
    asked: WallAsked | None = None,
    name: str = "invented",
    revision: str = "",
    date: str = "",
) -> Path:
    """The path of `drawing.pdf`; `drawing.dxf` lies beside it."""
    solid = Solid() if solid is None else solid
    made = read_process(process) if isinstance(process, str) else process
    design = Design(name, waveguide, Air(), default_observation(waveguide), solid, revision, date)
    asked = asked_of(waveguide, made, None) if asked is None else asked
    assert asked is not None
    path = folder / "drawing.pdf"
    write_drawing(design, part_of(waveguide, solid, made), made, asked, path, dxf=folder / "drawing.dxf")
    return path


def views(waveguide: Waveguide, path: Path, *, solid: Solid, process: Process, asked: WallAsked, name: str) -> None:
    """Write the page of views alone."""
    design = Design(name, waveguide, Air(), default_observation(waveguide), solid)
    part = DrawnPart(waveguide, part_of(waveguide, solid, process), process, asked)
    sheet, _ = drawn(part, design)
    size = sheet.wide, sheet.high
    paper.write_pdf([paper.words(name)], path, title=name, size=size, first=lambda page: paint(sheet, page))


def words(path: Path, *, first: int = 0) -> str:
    """The text of the pages from `first` on, on one line."""
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages[first:]).split())


def coordinates(path: Path, head: str) -> np.ndarray:
    """The rows of the table with that head, wherever the table goes on, as numbers."""
    columns = len(head.split(" ")) - head.count("°")
    row = re.compile(rf"(?:{NUMBER} ){{{columns - 1}}}{NUMBER}(?= |$)")
    found = []
    for piece in words(path, first=1).split(f" {head} ")[1:]:
        place = 0
        while (match := row.match(piece, place)) is not None:
            found.append([float(each) for each in match.group().split()])
            place = match.end() + 1
    return np.array(found)


class Box(NamedTuple):
    """About the ink of letters shown at once, level or upright: mm from the page's lower left corner."""

    left: float
    low: float
    right: float
    high: float


def letter_boxes(path: Path) -> tuple[tuple[float, float], list[Box]]:
    """Width and height of a PDF's first page, mm, and the boxes in which PDFium renders its letters, from the left."""
    with pypdfium2.PdfDocument(path) as document:
        page = document[0]
        shown = [each.get_bounds() for each in page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_TEXT])]
        wide, high = (each / POINTS for each in page.get_size())
    boxes = (Box(*(each / POINTS for each in bounds)) for bounds in shown)
    return (wide, high), sorted(box for box in boxes if box.right > box.left)
