"""The part on paper, to scale: views with their sizes, then what is asked of it, how its wall is set out, cautions."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np

from evenflare.design.file import Design, design_id
from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.sheets.dxf import Drawn, Track, Words, write_dxf
from evenflare.report.kit import paper
from evenflare.report.kit.drafting import Sheet, paint
from evenflare.report.kit.lanes import Plan
from evenflare.report.kit.paper import MARGIN
from evenflare.report.shop import drawing_words, part_sections, part_views
from evenflare.report.shop.drawn_part import DrawnPart
from evenflare.report.shop.title_block import BAR, HIGH, WIDE, Field, first_row, scale_bar, title_block
from evenflare.units import MILLIMETRE

A4, A3 = (paper.LONG, paper.SHORT), (420.0, 297.0)
"""mm, lying (ISO 216)."""
SCALES = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0)
"""Of reduction: ISO 5455, and 1 : 2.5, which it allows where needed."""
SHEETS = (*((A4, scale) for scale in SCALES if scale <= 2.0), *((A3, scale) for scale in SCALES if scale >= 2.0))
"""Paper and scale, the first that holds all views is taken."""
_GAP = 6.0
"""mm of paper, between views."""
_COLUMN = 84.0
"""mm of paper, at least, of a column of words."""
_POINT = 25.4 / 72.0


class PlacedView(NamedTuple):
    """Where a view's own (0, 0) lies, mm of paper."""

    plan: Plan
    x: float
    y: float


def write_drawing(
    design: Design, solid: SolidFile, process: Process, asked: WallAsked, path: Path, *, dxf: Path | None = None
) -> None:
    """Write the views on a sheet of A4 or A3, lying, and words on further ones; at its scale if printed at its size.

    dxf    : a file for the views in mm of the part.
    Errors : InputError as replacing.
    """
    part = DrawnPart(design.waveguide, solid, process, asked)
    sheet, scale = drawn(part, design)
    wide = sheet.wide - 2.0 * MARGIN
    columns = int(wide // _COLUMN)
    title = f"{design.name} {design_id(design)}: drawing"
    flow = drawing_words.flow(part, design, paper.column(wide, columns))
    paper.write_pdf(
        flow, path, title=title, size=(sheet.wide, sheet.high), columns=columns, first=lambda page: paint(sheet, page)
    )
    if dxf is not None:
        write_dxf(in_part_size(sheet, scale), dxf, about=title)


def drawn(part: DrawnPart, design: Design) -> tuple[Sheet, float]:
    """The sheet of views, and the scale that it is drawn to."""
    row, below = _plans(part)
    for (wide, high), scale in SHEETS:
        laid = _laid(row, below, wide, high, scale)
        if laid is not None or (wide, scale) == (A3[0], SCALES[-1]):
            break
    assert laid is not None  # a part of 2.5 m fits at the last
    sheet = Sheet(wide, high)
    for each in laid:
        each.plan.put(sheet, each.x, each.y, scale)
    title_block(sheet, wide - MARGIN - WIDE, MARGIN, _fields(part, design, scale, wide))
    if wide - 2 * MARGIN - WIDE > BAR + _GAP:
        scale_bar(sheet, MARGIN + 1.0, MARGIN + 1.0, scale)
    return sheet, scale


def _plans(part: DrawnPart) -> tuple[list[Plan], Plan | None]:
    """Side by side, and what is below the first of them."""
    main = part_sections.section(part, "A–A", azimuth=0.5 * np.pi, turn=part_sections.UPRIGHT, main=True)
    row = [part_views.front(part), main, part_views.back(part)]
    if part.waveguide.is_round:
        return row, None
    return row, part_sections.section(part, "B–B", azimuth=0.0, turn=part_sections.BELOW, main=False)


def _laid(row: list[Plan], below: Plan | None, wide: float, high: float, scale: float) -> list[PlacedView] | None:
    """Views in first-angle projection on a sheet of that size; None if they do not fit."""
    room, tall = wide - 2.0 * MARGIN, high - 2.0 * MARGIN
    reach = [each.reach(scale) for each in row]
    lower = None if below is None else below.reach(scale)
    if lower is not None:
        reach[0] = {**reach[0], **{side: max(reach[0][side], lower[side]) for side in ("left", "right")}}
    used = sum(each["left"] + each["right"] for each in reach) + _GAP * (len(row) - 1)
    above, under = (max(each[side] for each in reach) for side in ("above", "below"))
    rest = tall - above - under - _GAP
    need = HIGH
    if lower is not None:
        apart = reach[0]["left"] + reach[0]["right"] + _GAP + WIDE <= room
        need = lower["above"] + lower["below"] + (_GAP if apart else HIGH + 2.0 * _GAP)
        need = max(need, HIGH)
    if used > room or need > rest:
        return None
    # What is left over goes between the views.
    spare = min((room - used) / (len(row) - 1), 3.0 * _GAP)
    x, y, laid = MARGIN, high - MARGIN - above - 0.3 * (rest - need), []
    for plan, each in zip(row, reach, strict=True):
        laid.append(PlacedView(plan, x + each["left"], y))
        x += each["left"] + each["right"] + _GAP + spare
    if below is not None and lower is not None:
        laid.append(PlacedView(below, laid[0].x, y - under - _GAP - lower["above"]))
    return laid


def _fields(part: DrawnPart, design: Design, scale: float, wide: float) -> list[list[Field]]:
    process, solid = part.process, part.solid
    mass = f"{solid.volume * process.density:.2f} kg"
    size = "A4" if wide == A4[0] else "A3"
    return [
        first_row(
            [
                Field("Material", process.material, 56.0),
                Field("Mass, of the solid", mass, 26.0),
                Field("Sizes, scale", f"mm, 1 : {scale:g} on {size}", 38.0),
                Field("Projection", "first angle", 0.0),
            ]
        ),
        [
            Field("Title", design.name, 106.0),
            Field("Document", f"part drawing, process {process.name}", 74.0),
        ],
        [
            Field("Identification, of the design", design_id(design), 42.0),
            Field("Revision", design.revision, 20.0),
            Field("Date of the design", design.date, 28.0),
            Field("Created by", "evenflare", 26.0),
            Field("Approved by", "", 44.0),
            Field("Sheet", "1", 20.0),
        ],
    ]


def in_part_size(sheet: Sheet, scale: float) -> list[Drawn]:
    """A sheet as lines and words in m of the part."""
    unit = scale * MILLIMETRE
    lines = [Track(pen.layer, points * unit) for points, pen in sheet.strokes]
    words = [
        Words("words", each.x * unit, each.y * unit, 0.73 * each.size * _POINT * unit, each.words, turned=each.turned)
        for each in sheet.letterings
    ]
    return [*lines, *words]
