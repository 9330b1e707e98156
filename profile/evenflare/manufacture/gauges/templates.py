"""Templates for a wall's zones, with the words engraved on them, laid out on sheets as drawings to cut by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from evenflare.manufacture.gauges.asked import WallAsked, letter, zone_at
from evenflare.manufacture.gauges.blades import ABOVE, TAB, go_blade, no_go_blade, plate, plate_depths, wall_in_zones
from evenflare.manufacture.sheets.dxf import Closed, Drawn, Words, write_dxf
from evenflare.manufacture.sheets.lamination import on_sheet
from evenflare.manufacture.sheets.nesting import nest
from evenflare.text import one_line
from evenflare.units import DEGREE, MILLIMETRE, FloatArray, read_only
from evenflare.waveguide import Meridian, Waveguide

SHEET = (1000 * MILLIMETRE, 500 * MILLIMETRE)
"""A common size of sheet metal (common practice, no source); a template that is larger gets a larger sheet."""
SPACING = 8 * MILLIMETRE
LETTERS = 2.5 * MILLIMETRE
"""Height of capitals, at most."""
LEAST = 1.0 * MILLIMETRE
LINE = 1.7
"""Heights of capitals from line to line."""
WIDE = 1.0
"""Of a character in heights of capitals, at most, in the plain font of the format."""
ON_TAB, ON_PLATE = 28, 14
"""Characters of a line."""

Kind = Literal["go", "no_go"]


@dataclass(frozen=True)
class Template:
    """A template to be cut from sheet.

    kind    : "go" must enter, "no_go" must not.
    outline : (N, 2), m. A blade: across the axis, and z from the throat plane; a plate: x and y from the axis.
    azimuth : rad, of a blade's plane; None of a plate, and of a blade for any plane.
    z       : m, depth of a plate; None of a blade.
    zone    : that it checks; None: all.
    lines   : engraved about the point `words_at` (m), letters `height` high (m); `marks`: letters of zones at points.
    """

    kind: Kind
    outline: FloatArray
    lines: tuple[str, ...]
    words_at: tuple[float, float]
    height: float
    azimuth: float | None = None
    z: float | None = None
    zone: int | None = None
    marks: tuple[tuple[float, float, str], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", read_only(self.outline))

    @property
    def what(self) -> str:
        """In words."""
        verb = "GO" if self.kind == "go" else "NO-GO"
        zone = "all zones" if self.zone is None else f"zone {letter(self.zone)}"
        if self.z is not None:
            return f"{verb} plate, {zone}, z = {self.z / MILLIMETRE:.3f}"
        plane = "any plane" if self.azimuth is None else f"plane at {self.azimuth / DEGREE:g}°"
        return f"{verb} blade, {zone}, {plane}"


def templates(
    waveguide: Waveguide, asked: WallAsked, *, design_id: str, name: str, depths: Sequence[float] | None = None
) -> list[Template]:
    """Blades in one plane of a round waveguide, in both planes of symmetry of an oblong one, whose plates lie at
    `depths` (m), or at the middle of each zone. A go blade for all zones, a no-go blade for each.
    """
    told = _Told(one_line(name), one_line(design_id))
    planes: list[tuple[float | None, Meridian]]
    if waveguide.is_round:
        planes = [(None, waveguide.meridian)]
    else:
        planes = [(0.0, waveguide.surface.horizontal), (0.5 * np.pi, waveguide.surface.vertical)]
    found = []
    for azimuth, meridian in planes:
        wall = wall_in_zones(meridian, asked.zones)
        centre = (0.0, float(wall.drawn[:, 1].max()) + ABOVE + 0.5 * TAB[1])
        plane = "any plane" if azimuth is None else f"plane {azimuth / DEGREE:g} deg"
        marks = tuple(_marks(asked))
        lines = told.on_tab("GO all zones", plane)
        outline = go_blade(wall, asked.zones)
        found.append(Template("go", outline, lines, centre, LETTERS, azimuth=azimuth, marks=marks))
        for number, zone in enumerate(asked.zones):
            no_go = no_go_blade(wall, asked.zones, number)
            if no_go is None:
                continue
            span = f"{zone.from_z / MILLIMETRE:.1f}-{zone.to_z / MILLIMETRE:.1f}"
            lines = told.on_tab(f"NO-GO zone {letter(number)} z {span}", plane)
            own = tuple(each for each in marks if each[2] == letter(number))
            found.append(Template("no_go", no_go, lines, centre, LETTERS, azimuth=azimuth, zone=number, marks=own))
    if not waveguide.is_round:
        for z in plate_depths(waveguide.surface, asked.zones, depths):
            number = zone_at(asked.zones, z)
            zone = asked.zones[number]
            limits: tuple[tuple[Kind, str, float], ...] = (
                ("go", "GO", -zone.minus),
                ("no_go", "NO-GO", zone.plus),
            )
            for kind, verb, by in limits:
                outline = plate(waveguide.surface, z, by)
                lines = told.on_plate(f"{verb} {letter(number)}", z)
                height = _fitting(outline, lines)
                found.append(Template(kind, outline, lines, (0.0, 0.0), height, z=z, zone=number))
    return found


def write_templates(made: Sequence[Template], folder: Path, *, design_id: str, name: str) -> list[Path]:
    """Write `gauges.dxf` (and `gauges_2.dxf`, ... for further sheets): each outline on the layer go or no_go, words on
    engrave. Errors: InputError if a file cannot be written.
    """
    corners = [(each.outline.min(axis=0), each.outline.max(axis=0)) for each in made]
    sizes = [(float(high[0] - low[0]), float(high[1] - low[1])) for low, high in corners]
    wide, high = (max(size[k] for size in sizes) + 2.0 * SPACING for k in (0, 1))
    sheet = max(SHEET[0], wide), max(SHEET[1], high)
    edge = np.array([[0.0, 0.0], [sheet[0], 0.0], [sheet[0], sheet[1]], [0.0, sheet[1]]])
    drawings: list[list[Drawn]] = []
    for each, place, (low, top) in zip(made, nest(sizes, sheet=sheet, spacing=SPACING), corners, strict=True):
        while len(drawings) <= place.sheet:
            drawings.append([Closed("sheet", edge)])
        middle = 0.5 * (low + top)
        onto = drawings[place.sheet]
        onto.append(Closed(each.kind, on_sheet((each.outline - middle).tolist(), place)))
        for x, y, text, size in _engraved(each):
            (at,) = on_sheet([(x - middle[0], y - middle[1])], place).tolist()
            onto.append(Words("engrave", at[0], at[1], size, text, turned=place.turned))
    paths = []
    for number, drawn in enumerate(drawings, start=1):
        paths.append(folder / ("gauges.dxf" if number == 1 else f"gauges_{number}.dxf"))
        write_dxf(drawn, paths[-1], about=f"evenflare gauges {one_line(name)} {one_line(design_id)}, sheet {number}")
    return paths


@dataclass(frozen=True)
class _Told:
    name: str
    design_id: str

    def on_tab(self, what: str, plane: str) -> tuple[str, ...]:
        lines = (_cut(self.name, ON_TAB), f"id {self.design_id}", what, f"{plane}, axis B", "foot: datum A, z 0")
        return tuple(_cut(line, ON_TAB) for line in lines)

    def on_plate(self, what: str, z: float) -> tuple[str, ...]:
        lines = (what, f"z {z / MILLIMETRE:.2f} from A", self.design_id, _cut(self.name, ON_PLATE))
        return tuple(_cut(line, ON_PLATE) for line in lines)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 2]}.."


def _marks(asked: WallAsked) -> list[tuple[float, float, str]]:
    """Letters of zones on the axis, where there is room for them."""
    return [
        (0.0, 0.5 * (zone.from_z + zone.to_z), letter(number))
        for number, zone in enumerate(asked.zones)
        if zone.to_z - zone.from_z > LINE * LETTERS
    ]


def _fitting(outline: FloatArray, lines: Sequence[str]) -> float:
    """m, height of letters so that the lines lie within a plate: in the box at 0.6 of it, which any ellipse holds."""
    wide, high = 1.2 * outline.max(axis=0)
    return float(min(LETTERS, max(LEAST, min(wide / (WIDE * max(map(len, lines))), high / (LINE * len(lines))))))


def _engraved(each: Template) -> list[tuple[float, float, str, float]]:
    x, y = each.words_at
    start = y + 0.5 * (len(each.lines) - 1) * LINE * each.height
    lines = [(x, start - k * LINE * each.height, text, each.height) for k, text in enumerate(each.lines)]
    return [*lines, *((*mark, LETTERS) for mark in each.marks)]
