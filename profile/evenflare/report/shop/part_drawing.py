"""The part on one sheet of paper, to scale: sections, front, sizes, the wall at stations, datums, cautions."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from evenflare.design.file import Design, design_id
from evenflare.manufacture.casting.casting import CAUTIONS as CASTING_CAUTIONS
from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.oblong_sizes import OblongSizes, flange_bolts
from evenflare.manufacture.part.rings import radius_at as round_radius
from evenflare.manufacture.part.slices import slices
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.points.points import CAUTIONS
from evenflare.manufacture.process.types import Process
from evenflare.report.kit import paper, wall
from evenflare.report.kit.drafting import AXIS, FINE, LETTERS, THIN, View, dimension, face, label, line, view
from evenflare.report.kit.paper import LONG, MARGIN, NUMBERS, SHORT, SMALL, SUBHEADING
from evenflare.report.shop import zones
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide

SCALES = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Of reduction (ISO 5455:1979), the first with which all views fit."""
STATIONS = 9
_STRIP = 84.0
"""mm, beside the views, for words."""
_AROUND, _LEFT = 26.0, 15.0
"""mm of paper about a section, for its dimension lines, and how much of it lies at its left."""
_FRONT = 24.0
"""mm of paper about the front view, likewise."""
_ABOVE = 17.0
"""mm of paper from a view to its title."""
_TITLE = 9.0


def write_drawing(design: Design, solid: SolidFile, process: Process, asked: WallAsked, path: Path) -> None:
    """Write one A4 page, lying; at its scale if it is printed at its size. Errors: InputError as replacing."""
    waveguide = design.waveguide
    planes = [("A–A", 0.0)] if waveguide.is_round else [("A–A, horizontal", 0.0), ("B–B, vertical", 0.5 * np.pi)]
    width, height = (2.0 * half / MILLIMETRE for half in _halves(solid))
    low, high = (
        float(edge) / MILLIMETRE for edge in (solid.mesh.vertices[:, 2].min(), solid.mesh.vertices[:, 2].max())
    )
    scale = _scale(high - low, max(width, height), width, sections=len(planes))

    def views(page: Any) -> None:
        left, axis = MARGIN, 0.5 * (SHORT - _TITLE)
        for title, azimuth in planes:
            with view(page, left + _LEFT - low / scale, axis, scale=scale) as section:
                half = 0.5 * (width if azimuth == 0.0 else height)
                label(section, f"Section {title}", (0.5 * (low + high), half + _ABOVE * scale), size=LETTERS + 1)
                _section(section, waveguide, solid, asked, azimuth=azimuth)
            left += (high - low) / scale + _AROUND + 4.0
        with view(page, left + 0.5 * (width / scale + _FRONT), axis, scale=scale) as front:
            label(front, "Front", (0.0, 0.5 * height + _ABOVE * scale), size=LETTERS + 1)
            _front(front, waveguide, solid)
        with view(page, MARGIN, MARGIN, scale=1.0) as bar:
            line(bar, [(0.0, 3.0), (0.0, 0.2), (50.0, 0.2), (50.0, 3.0)])
            label(bar, f"50 mm of paper, {50 * scale:g} mm of the part", (25.0, 2.3))

    title = f"{design.name} {design_id(design)}: drawing"
    paper.write_pdf(_words(design, solid, process, asked, scale), path, title=title, strip=_STRIP, views=views)


def _halves(solid: SolidFile) -> tuple[float, float]:
    """m, half the part's width and height."""
    x, y = np.abs(solid.mesh.vertices[:, :2]).max(axis=0).tolist()
    return x, y


def _scale(deep: float, high: float, wide: float, *, sections: int) -> float:
    free = LONG - 2 * MARGIN - _STRIP - sections * (_AROUND + 4.0) - _FRONT
    for scale in SCALES:
        if sections * deep / scale + wide / scale <= free and high / scale <= SHORT - 2 * MARGIN - _TITLE - 40.0:
            return scale
    return SCALES[-1]


def _section(view: View, waveguide: Waveguide, solid: SolidFile, asked: WallAsked, *, azimuth: float) -> None:
    outlines, scale = [outline / MILLIMETRE for outline in slices(solid.mesh, azimuth=azimuth)], view.scale
    for outline in outlines:
        face(view, outline)
    points = np.concatenate(outlines)
    back, front, edge = float(points[:, 0].min()), float(points[:, 0].max()), float(points[:, 1].max())
    line(view, [(back - 6 * scale, 0.0), (front + 8 * scale, 0.0)], AXIS)
    depth = waveguide.depth / MILLIMETRE
    throat = 0.5 * _across(waveguide, 0.0, azimuth)
    mouth = 0.5 * _across(waveguide, waveguide.depth, azimuth)
    dimension(view, (0.0, -edge - 9 * scale), (depth, -edge - 9 * scale), f"{depth:.2f}", foot=-edge)
    if back < -1e-3:
        dimension(view, (back, -edge - 4 * scale), (0.0, -edge - 4 * scale), f"{-back:.2f}", foot=-edge)
    sign = "Ø" if waveguide.is_round else ""
    at = front + 6 * scale
    dimension(view, (at, -mouth), (at, mouth), f"{sign}{2 * mouth:.2f}", foot=front)
    at = back - 5 * scale
    dimension(view, (at, -throat), (at, throat), f"Ø{2 * throat:.2f}", foot=back)
    sizes = solid.sizes
    if sizes.kind == "shell":
        thick = sizes.flange_thickness / MILLIMETRE
        at = edge + 5 * scale
        dimension(view, (depth - thick, at), (depth, at), f"{thick:.2f}", foot=edge)
    zones.mark(view, asked, lambda z: 0.5 * _across(waveguide, z * MILLIMETRE, azimuth), depth=depth)
    line(view, [(0.0, throat), (0.0, edge + 9 * scale)], THIN)
    label(view, "A", (0.0, edge + 9 * scale), framed=True)
    label(view, "B", (front + 10 * scale, 0.0), framed=True)


def _front(view: View, waveguide: Waveguide, solid: SolidFile) -> None:
    sizes, scale = solid.sizes, view.scale
    w, h = (half / MILLIMETRE for half in _halves(solid))
    rectangle = isinstance(sizes, OblongSizes) and sizes.flange_diameter is None
    line(view, [(w, h), (-w, h), (-w, -h), (w, -h), (w, h)] if rectangle else _circle(w))
    for z in (waveguide.depth, 0.0):
        if waveguide.is_round:
            line(view, _circle(round_radius(waveguide.meridian, z) / MILLIMETRE))
        else:
            line(view, wall.section(waveguide.surface, z) / MILLIMETRE)
    for bolt in flange_bolts(sizes):
        middle = np.divide(bolt, MILLIMETRE)
        for half in np.diag([scale, scale]):
            line(view, [middle - half, middle + half], FINE)
    for end in np.diag([w + 3 * scale, h + 3 * scale]):
        line(view, [-end, end], AXIS)
    sign, at = "" if rectangle else "Ø", -h - 9 * scale
    dimension(view, (-w, at), (w, at), f"{sign}{2 * w:.2f}", foot=-h)
    if rectangle:
        at = w + 9 * scale
        dimension(view, (at, -h), (at, h), f"{2 * h:.2f}", foot=w)


def _circle(radius: float) -> FloatArray:
    turn = np.linspace(0.0, 2 * np.pi, 241)
    return np.asarray(radius * np.column_stack([np.cos(turn), np.sin(turn)]))


def _across(waveguide: Waveguide, z: float, azimuth: float) -> float:
    """mm, of the opening at a depth."""
    if waveguide.is_round:
        return 2.0 * round_radius(waveguide.meridian, z) / MILLIMETRE
    return 2.0 * wall.radius_at(waveguide.surface, z, azimuth) / MILLIMETRE


def _words(design: Design, solid: SolidFile, process: Process, asked: WallAsked, scale: float) -> list[Any]:
    """Title, sizes, zones, stations, notes and cautions."""
    sizes, mass = solid.sizes, solid.volume * process.density
    facts = [
        f"design id {design_id(design)}",
        f"scale 1 : {scale:g} on A4, sizes in mm",
        f"{sizes.kind} of {process.material}, {solid.volume * 1e3:.3f} litres, {mass:.2f} kg",
        *([f"wall {sizes.wall / MILLIMETRE:.2f} at least"] if sizes.kind == "shell" else []),
        _bolt_words(solid),
        *_features(solid),
        "datum A: the throat plane, where the driver sits, z = 0; datum B: the axis, of the throat's bore",
        "other sizes: ISO 2768-m. Edges of mouth and throat sharp: do not break them by more than 0.2",
    ]
    about = CASTING_CAUTIONS if "pattern" in process.makes else CAUTIONS
    cautions = [each.removeprefix("caution: ") for each in about if "These are points" not in each]
    return [
        paper.words(design.name, paper.HEADING),
        *paper.listed(facts, SMALL, mark="–"),
        paper.words("Tolerance of the waveguide's wall, by zone", SUBHEADING),
        *zones.tables(asked, _STRIP - 2.0, SMALL),
        *paper.listed(zones.notes(asked), SMALL, mark="–"),
        paper.words("The wall, from the throat plane z = 0 to the mouth", SUBHEADING),
        _stations(design.waveguide),
        paper.words("Cautions", SUBHEADING),
        *paper.listed(cautions, SMALL, mark="–"),
    ]


def _bolt_words(solid: SolidFile) -> str:
    sizes = solid.sizes
    count = len(flange_bolts(sizes))
    if count == 0:
        return "no holes in the front"
    if isinstance(sizes, OblongSizes):
        return f"{count} holes in the front where marked, for the screws at hand; places in the head of points.csv"
    circle = f"Ø{sizes.bolt_circle / MILLIMETRE:.2f}"
    return f"{count} holes in the front, for the screws at hand, evenly on a circle of {circle}, the first on x"


def _features(solid: SolidFile) -> list[str]:
    """What is cut from the part besides its wall."""
    seat, features, words = solid.features.seat, solid.features, []
    if seat.depth > 0.0:
        words.append(
            f"driver's seat in the back: Ø{seat.diameter / MILLIMETRE:.2f}, {seat.depth / MILLIMETRE:.2f} deep"
        )
    if seat.is_cut and seat.bolts:
        words.append(
            f"{seat.bolts} holes Ø{seat.hole_diameter / MILLIMETRE:.2f} for the driver,"
            f" {seat.hole_depth / MILLIMETRE:.2f} deep from the throat plane, on a circle of"
            f" Ø{seat.bolt_circle / MILLIMETRE:.2f}, the first on x"
        )
    if solid.sizes.kind == "shell" and seat.is_cut:
        radius, top = (length / MILLIMETRE for length in features.hub(solid.sizes.wall))
        words.append(f"hub that carries it Ø{2 * radius:.2f}, from the back face to {top:.2f} above the throat plane")
    if features.edge_radius > 0.0:
        words.append(f"edge between front and outside R{features.edge_radius / MILLIMETRE:.2f}")
    elif features.has_rim:
        wide, deep = features.rebate_width / MILLIMETRE, features.rebate_depth / MILLIMETRE
        words.append(f"rebate round the front {wide:.2f} wide, {deep:.2f} deep")
    return words


def _stations(waveguide: Waveguide) -> Any:
    planes = {"diameter": 0.0} if waveguide.is_round else {"width": 0.0, "height": 0.5 * np.pi}
    rows = [
        [f"{z / MILLIMETRE:.3f}", *(f"{_across(waveguide, z, azimuth):.3f}" for azimuth in planes.values())]
        for z in np.linspace(0.0, waveguide.depth, STATIONS).tolist()
    ]
    return paper.table(["z", *planes], rows, [24.0] * (1 + len(planes)), NUMBERS)
