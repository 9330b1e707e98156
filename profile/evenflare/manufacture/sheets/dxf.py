"""A flat drawing as a DXF file in mm, for whoever cuts: circles, closed polylines and words, by operation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenflare.files import write_text
from evenflare.text import one_line
from evenflare.units import MILLIMETRE, FloatArray, read_only
from evenflare.words import rounded_mm

_mm = partial(rounded_mm, decimals=6)

if TYPE_CHECKING:
    from ezdxf.document import Drawing

COLOURS = {
    "cut_outside": 1,
    "cut_inside": 5,
    "cut_inside_front": 5,
    "cut_inside_back": 4,
    "drill": 3,
    "drill_back": 2,
    "drill_front": 3,
    "pocket_back": 2,
    "engrave": 6,
    "go": 3,
    "no_go": 1,
    "sheet": 8,
    "outline": 7,
    "thin": 8,
    "dimension": 5,
    "axis": 4,
    "hatch": 9,
    "words": 7,
}
"""Layers, named by what is done along their curves, and the format's numbers of their colours; `sheet` is not cut. From
`outline` on: of drawings that are read, and cut by nobody.
"""


@dataclass(frozen=True)
class Circle:
    """On a layer; m."""

    layer: str
    x: float
    y: float
    radius: float


@dataclass(frozen=True)
class Closed:
    """A closed polyline on a layer: its points (N, 2), m, the first not repeated."""

    layer: str
    points: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", read_only(self.points))


@dataclass(frozen=True)
class Track:
    """A line on a layer through points (N, 2), m."""

    layer: str
    points: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", read_only(self.points))


@dataclass(frozen=True)
class Words:
    """A line of text on a layer, its middle at x, y; height of its capitals; m. `turned`: counter-clockwise."""

    layer: str
    x: float
    y: float
    height: float
    text: str
    turned: bool = False


Drawn = Circle | Closed | Track | Words


def write_dxf(drawn: Sequence[Drawn], path: Path, *, about: str = "") -> None:
    """Write a drawing in mm ($INSUNITS 4) as DXF R2010, whole or not at all; the same drawing gives the same file.

    about  : whose drawing it is, among the file's properties.
    Errors : InputError if the file cannot be written. ValueError for a layer that is not of COLOURS.
    """
    import ezdxf
    from ezdxf import units

    # The library would write the time of day and a random name for the version.
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        document = ezdxf.new("R2010", units=units.MM)
        document.header["$MEASUREMENT"] = 1
        if about:
            document.header.custom_vars.append("about", _encoded(about))
        _fill(document, drawn)
        content = StringIO()
        document.write(content)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
    write_text(path, content.getvalue())


def _encoded(text: str) -> str:
    """A text in which no reader finds codes: of the two signs that begin one (DXF reference, group code ranges), ^ has
    an escape, and the backslash stands as a slash.
    """
    return one_line(text).replace("\\", "/").replace("^", "^ ")


def _fill(document: Drawing, drawn: Sequence[Drawn]) -> None:
    from ezdxf.enums import TextEntityAlignment

    for layer in dict.fromkeys(each.layer for each in drawn):
        if layer not in COLOURS:
            raise ValueError(f"layer {layer!r}: must be one of {', '.join(COLOURS)}")
        document.layers.add(layer, color=COLOURS[layer])
    space = document.modelspace()
    for each in drawn:
        attributes = {"layer": each.layer}
        if isinstance(each, Circle):
            space.add_circle((_mm(each.x), _mm(each.y)), _mm(each.radius), dxfattribs=attributes)
        elif isinstance(each, Closed | Track):
            points = np.round(each.points / MILLIMETRE, 6) + 0.0
            space.add_lwpolyline(points.tolist(), close=isinstance(each, Closed), dxfattribs=attributes)
        else:
            turn = 90.0 if each.turned else 0.0
            words = space.add_text(_encoded(each.text), height=_mm(each.height), rotation=turn, dxfattribs=attributes)
            words.set_placement((_mm(each.x), _mm(each.y)), align=TextEntityAlignment.MIDDLE_CENTER)
