"""The files of a lamination: drawings to cut by, what lies where, outlines as points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.files import write_text
from evenflare.manufacture.part.features import PLAIN, FrontHoles
from evenflare.manufacture.part.outline import SolidChoice
from evenflare.manufacture.part.rings import Outline, sizes_of
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.sheets.dxf import Circle, Closed, Drawn, Words, write_dxf
from evenflare.manufacture.sheets.glue_up import GLUE_CAUTIONS, cut_told, glue_up_text, stock_told
from evenflare.manufacture.sheets.lamination import (
    Lamination,
    Layer,
    LayerHole,
    Style,
    laminate,
    on_sheet,
)
from evenflare.text import one_line, table
from evenflare.units import MILLIMETRE, PERCENT
from evenflare.waveguide import Waveguide
from evenflare.words import fixed_mm

_mm = partial(fixed_mm, decimals=4)

COLUMNS = (
    *("layer", "z_from_mm", "z_to_mm", "thickness_mm", "file", "sheet", "x_mm", "y_mm", "turned_deg"),
    *("outside_width_mm", "outside_height_mm", "front_width_mm", "front_height_mm", "back_width_mm", "back_height_mm"),
    *("cut_front_width_mm", "cut_front_height_mm", "cut_back_width_mm", "cut_back_height_mm", "greatest_left_mm"),
)
LETTERS = 6 * MILLIMETRE
"""Height of a layer's number."""
CROSS = 3 * MILLIMETRE
"""Side of the square that marks a bolt on the first layer."""


@dataclass(frozen=True)
class LayerFiles:
    """What was written: a drawing for each sheet, the table, the outlines' points, the order of glue-up."""

    lamination: Lamination
    drawings: tuple[Path, ...]
    table: Path
    points: Path
    glue_up: Path


def export_layers(
    waveguide: Waveguide,
    solid: SolidChoice,
    process: Process,
    folder: Path,
    *,
    chord_error: float,
    design_id: str,
    name: str,
    style: Style = "step",
    front: FrontHoles = PLAIN.front,
) -> LayerFiles:
    """Write `layers.dxf` (and `layers_2.dxf`, ... for further sheets), `layers.csv`, `layer_points.csv`, `glue_up.txt`.

    All are worked out before any is written. See laminate for the arguments.
    Errors: InputError as laminate and the sizes of the solid, or if a file cannot be written.
    """
    made = laminate(waveguide, sizes_of(waveguide, solid), process, chord_error=chord_error, style=style, front=front)
    named = _Named(one_line(name), one_line(design_id))
    drawings = tuple(folder / file_of(sheet) for sheet in range(made.sheets))
    table, points, glue_up = folder / "layers.csv", folder / "layer_points.csv", folder / "glue_up.txt"
    texts = {
        table: table_text(made, process, named.lines, kind=solid.kind),
        points: points_text(made, named.lines),
        glue_up: glue_up_text(made, process, named.lines, front=front, kind=solid.kind),
    }
    for path, text in texts.items():
        write_text(path, text)
    for sheet, path in enumerate(drawings):
        write_dxf(drawn(made, sheet), path, about=f"evenflare {named.name} {named.design_id}, sheet {sheet + 1}")
    return LayerFiles(made, drawings, table, points, glue_up)


@dataclass(frozen=True)
class _Named:
    name: str
    design_id: str

    @property
    def lines(self) -> tuple[str, str]:
        return f"design: {self.name}", f"design id: {self.design_id}"


def file_of(sheet: int) -> str:
    """The name of the drawing of a sheet, counted from 0."""
    return "layers.dxf" if sheet == 0 else f"layers_{sheet + 1}.dxf"


def drawn(made: Lamination, sheet: int) -> list[Drawn]:
    """What is drawn on a sheet: its edge, and each layer as seen from its front, at finished size."""
    width, height = made.sheet
    entities: list[Drawn] = [Closed("sheet", np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]))]
    for layer, place in zip(made.layers, made.places, strict=True):
        if place.sheet != sheet:
            continue
        for operation, outline in (("cut_outside", layer.outside), *layer.cuts):
            if outline.radius is not None:
                entities.append(Circle(operation, place.x, place.y, outline.radius))
            else:
                entities.append(Closed(operation, on_sheet(outline.points.tolist(), place)))
        for hole in (*layer.holes, *layer.dowels):
            (x, y) = on_sheet([(hole.x, hole.y)], place)[0].tolist()
            entities.append(Circle(hole.operation, x, y, hole.radius))
        for x, y in on_sheet(made.dowels, place).tolist():
            entities.append(Circle("drill", x, y, 0.5 * made.dowel_diameter))
        if layer.number == 1:
            for x, y in made.bolts:
                square = 0.5 * CROSS * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
                entities.append(Closed("engrave", on_sheet((square + np.array([x, y])).tolist(), place)))
        (x, y) = on_sheet([layer.label], place)[0].tolist()
        entities.append(Words("engrave", x, y, LETTERS, str(layer.number)))
    return entities


def table_text(made: Lamination, process: Process, named: tuple[str, ...], *, kind: str = "block") -> str:
    """The CSV: what each layer is and where it lies."""
    outside = (
        "outside_: as cut, a ring or a machine's full stock; the finished outside is in outside.csv"
        if kind == "body"
        else "outside_: finished"
    )
    header = [
        f"evenflare layers: a {kind} built up of sheets; layer 1 is the front, whose front face is the mouth plane",
        *named,
        "units: mm; z from the throat plane, rising to the mouth; x and y of the middle of a layer (the axis) on its"
        " sheet, from the sheet's lower left corner; seen from the front, x to the right, y up, turned counter-"
        "clockwise",
        "sizes: finished size, no kerf added; front_ and back_: the finished opening of the part at the layer's front"
        f" and back; cut_: what is drawn to be cut out of the layer; {outside}",
        f"cut: {cut_told(made)}; the most that is then left on the wall, or in the driver's recess, sideways, is"
        " greatest_left_mm",
        *stock_told(made, process),
        f"yield: {made.share_used / PERCENT:.1f} % of {made.sheets} sheet{'s' if made.sheets > 1 else ''}; the layers"
        f" as cut hold {made.in_part * 1e3:.4f} litres, {made.in_part * process.density:.3f} kg of {process.material}",
        *GLUE_CAUTIONS,
    ]
    rows = []
    for layer, place in zip(made.layers, made.places, strict=True):
        outlines = (layer.outside, layer.front, layer.back, layer.cuts[0][1], layer.cuts[-1][1])
        sizes = [side for outline in outlines for side in _size(outline)]
        rows.append(
            (
                *(str(layer.number), _mm(layer.z_from), _mm(layer.z_to), _mm(layer.thickness), file_of(place.sheet)),
                *(str(place.sheet + 1), _mm(place.x), _mm(place.y), "90" if place.turned else "0"),
                *(_mm(each) for each in (*sizes, layer.left)),
            )
        )
    return table(COLUMNS, rows, header=header)


def points_text(made: Lamination, named: tuple[str, ...]) -> str:
    """The CSV: the points of every outline, each layer about its own axis."""
    header = [
        "evenflare layer outlines: points, counter-clockwise seen from the front; the last joins the first",
        *named,
        "units: mm, at finished size, x and y from the axis; operation as in the drawing; a circle has its radius_mm,"
        " and its points lie on it; depth_mm of what is cut from a layer's back or front and not through",
    ]
    rows = []
    for layer in made.layers:
        for operation, outline in (("cut_outside", layer.outside), *layer.cuts):
            rows += _points(layer, operation, outline)
        dowels = [LayerHole("drill", x, y, 0.5 * made.dowel_diameter) for x, y in made.dowels]
        for index, hole in enumerate((*dowels, *layer.dowels, *layer.holes), start=1):
            depth = "" if hole.depth is None else _mm(hole.depth)
            place = (_mm(hole.x), _mm(hole.y), _mm(hole.radius), depth)
            rows.append((str(layer.number), hole.operation, str(index), *place))
    return table(("layer", "operation", "index", "x_mm", "y_mm", "radius_mm", "depth_mm"), rows, header=header)


def _points(layer: Layer, operation: str, outline: Outline) -> list[tuple[str, ...]]:
    radius = "" if outline.radius is None else _mm(outline.radius)
    return [
        (str(layer.number), operation, str(index), _mm(x), _mm(y), radius, "")
        for index, (x, y) in enumerate(outline.points.tolist(), start=1)
    ]


def _size(outline: Outline) -> tuple[float, float]:
    return outline.size if outline.radius is None else (2.0 * outline.radius, 2.0 * outline.radius)
