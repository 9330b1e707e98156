"""What a drawing says beside its views: how it is read, what is cut, tolerances, how the wall is set out, cautions."""

from __future__ import annotations

from typing import Any

from evenflare.design.file import Design, design_id
from evenflare.manufacture.casting.casting import tolerance as cast_tolerance
from evenflare.manufacture.part.features import SCREWS
from evenflare.manufacture.part.fits import hole_fit
from evenflare.manufacture.part.positions import (
    RIDGED,
    Position,
    driver_position,
    fixed_fastener,
    front_position,
    recess_position,
    roughness,
    thread,
)
from evenflare.report.kit import paper
from evenflare.report.kit.paper import NUMBERS, SMALL, SUBHEADING
from evenflare.report.shop import setting_out, zones
from evenflare.report.shop.cautions import cautions
from evenflare.report.shop.drawn_part import DrawnPart, circle_of
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.words import mm

MARKED = ("M3", "M4", "M5", "M6", "M8")
"""Screws whose holes are told where places for them are marked only."""


def flow(part: DrawnPart, design: Design, width: float) -> list[Any]:
    """Title, sizes, zones, coordinates, cautions, for columns of that width in mm."""
    return [
        paper.words(design.name, paper.HEADING),
        *paper.listed(_facts(part, design), SMALL, mark="–"),
        paper.words("What is cut besides the wall", SUBHEADING),
        *paper.listed(_features(part), SMALL, mark="–"),
        *_places(part, width),
        paper.words("Surfaces, sizes without a tolerance", SUBHEADING),
        *paper.listed(_general(part), SMALL, mark="–"),
        paper.words("Tolerance of the waveguide's wall, by zone", SUBHEADING),
        *zones.tables(part.asked, width - 2.0, SMALL),
        *paper.listed(zones.notes(part.asked), SMALL, mark="–"),
        *setting_out.flow(part.waveguide, part.asked, width),
        *(setting_out.body_flow(part.waveguide, width) if part.solid.sizes.kind == "body" else []),
        paper.words("Cautions", SUBHEADING),
        *paper.listed(cautions(part.process, programs=part.process.makes_programs), SMALL, mark="!"),
    ]


def _facts(part: DrawnPart, design: Design) -> list[str]:
    solid, process = part.solid, part.process
    sizes = solid.sizes
    return [
        f"design id {design_id(design)}; sizes in mm, first-angle projection (ISO 128-3, ISO 5456-2)",
        f"{sizes.kind} of {process.material}, {solid.volume * 1e3:.3f} litres,"
        f" {solid.volume * process.density:.2f} kg at {process.density:g} kg per cubic metre",
        *([f"wall {sizes.wall / MILLIMETRE:.2f} at least"] if sizes.kind == "shell" else []),
        "datum A: the throat plane, where the driver sits, z = 0; datum B: the axis, of the throat's bore",
        "x runs to the right and y up as one looks into the mouth, z from the throat plane to the mouth",
        *(["section A–A shows what stands on the x-axis turned into its plane"] if part.waveguide.is_round else []),
    ]


def _features(part: DrawnPart) -> list[str]:
    features = part.solid.features
    told = [*_front_words(part), *_seat_words(part)]
    if features.edge_radius > 0.0:
        told.append(f"edge between front and outside R{features.edge_radius / MILLIMETRE:.2f}")
    elif features.has_rim:
        wide, deep = features.rebate_width / MILLIMETRE, features.rebate_depth / MILLIMETRE
        told.append(f"rebate round the front {wide:.2f} wide, {deep:.2f} deep")
    return [*told, *_position_words(part)]


def _position_words(part: DrawnPart) -> list[str]:
    """How far holes and recess may lie off, and by which rule."""
    features, told = part.solid.features, list[str]()
    front, driver, recess = (
        front_position(features),
        driver_position(features),
        recess_position(features, part.process),
    )
    rule = (
        "half of what the hole is wider than the screw, the other half for its counterpart (fixed fasteners, ASME"
        " Y14.5-2018, appendix B, from memory)"
    )
    if front is None and features.front.count:
        told.append("position of the front's holes: no screw is stated that it would follow from; ISO 2768-m")
    if front is not None:
        told.append(f"position of the front's holes {front.words} about their true places, from A and B: {rule}")
    if driver is not None:
        told.append(
            f"position of the driver's holes {driver.words}: taken for {driver.screw}, the widest thread that they"
            f" hold, in clearance holes of the driver by ISO 273, medium; {'likewise' if front else rule}"
        )
    if recess is not None:
        told.append(f"position of the recess {recess.words}: twice what the process keeps")
    return told


def _front_words(part: DrawnPart) -> list[str]:
    front, places = part.solid.features.front, part.front_holes
    if not len(places):
        return ["no holes in the front"]
    diameter = circle_of(places)
    where = "placed as listed" if diameter is None else f"evenly on a circle of Ø{diameter:.2f}, the first on x"
    if not front.count:
        holes = ", ".join(
            f"{screw} Ø{SCREWS[screw][0] / MILLIMETRE:.1f} (position"
            f" {Position(fixed_fastener(SCREWS[screw][0], thread(screw))).words})"
            for screw in MARKED
        )
        return [
            f"{len(places)} holes in the front for the screws at hand, {where}; they are not in the solid. Clearance"
            f" holes by ISO 273, medium, from memory, their positions by the rule of fixed fasteners, (hole - screw) /"
            f" 2 (ASME Y14.5-2018, appendix B, from memory): {holes}"
        ]
    words = f"{front.count} holes Ø{front.diameter / MILLIMETRE:.2f} through the front, {where}"
    if front.screw:
        words += f"; for {front.screw}, ISO 273, medium"
    if front.countersink > 0.0:
        words += (
            f"; countersunk Ø{front.countersink / MILLIMETRE:.2f} in the front face,"
            f" {front.countersink_angle / DEGREE:.0f}° (ISO 15065, from memory)"
        )
    return [words]


def _seat_words(part: DrawnPart) -> list[str]:
    features, sizes = part.solid.features, part.solid.sizes
    seat, told = features.seat, []
    if seat.depth > 0.0:
        fit = hole_fit(seat.diameter, 2.0 * part.process.tolerance)
        words = f"driver's seat in the back: Ø{seat.diameter / MILLIMETRE:.2f}"
        if fit is not None:
            words += f" {fit.words}, the finest H of ISO 286-1 that the process keeps (from memory)"
        told.append(f"{words}; {seat.depth / MILLIMETRE:.2f} deep, its floor is datum A")
    if seat.is_cut and seat.bolts:
        told.append(
            f"{seat.bolts} holes Ø{seat.hole_diameter / MILLIMETRE:.2f} for the driver,"
            f" {seat.hole_depth / MILLIMETRE:.2f} deep from the throat plane, on a circle of"
            f" Ø{seat.bolt_circle / MILLIMETRE:.2f}, the first on x"
        )
    if sizes.kind == "body":
        disc = f"Ø{seat.diameter / MILLIMETRE:.2f} x {sizes.wall / MILLIMETRE:g}"
        told.append(f"the seat is open through the back, which a disc {disc} closes flush once the driver sits")
    if sizes.kind == "shell" and seat.is_cut:
        radius, top = (length / MILLIMETRE for length in features.hub(sizes.wall))
        told.append(f"hub that carries it Ø{2 * radius:.2f}, from the back face to {top:.2f} above the throat plane")
    return told


def _roughness(part: DrawnPart) -> list[str]:
    height = part.process.scallop_height
    found, limit = roughness(height)
    return [
        f"waveguide's wall: Ra {limit:g} µm at most (sign of ISO 21920-1, from memory). Estimated across the ridges:"
        f" {RIDGED:.3f} x {mm(height)} mm = {found:.2f} µm, the ridges' stated height times 4 / (9 sqrt 3), the mean"
        " departure of a parabola between two of them; the next of the preferred limits is asked. Pores and grain of"
        " the material come on top of it"
    ]


def _places(part: DrawnPart, width: float) -> list[Any]:
    """Where holes stand that are on no circle."""
    places = part.front_holes
    if not len(places) or circle_of(places) is not None:
        return []
    rows = [[str(number), *(f"{each + 0.0:.3f}" for each in place)] for number, place in enumerate(places, start=1)]
    return [paper.table(["hole", "x", "y"], rows, [width / 3.0] * 3, NUMBERS)]


def _general(part: DrawnPart) -> list[str]:
    process, casting = part.process, part.process.casting
    sharp = "edges of mouth and throat sharp: do not break them by more than 0.2"
    if casting is None or "pattern" not in process.makes:
        plain = f"sizes without a tolerance: ISO 2768-m. {sharp[0].upper()}{sharp[1:]}"
        return [*(_roughness(part) if process.makes_programs else []), plain]
    widest = 2.0 * max(part.half)
    width = cast_tolerance(widest * MILLIMETRE, casting.grade)
    machined = "the waveguide's wall, " if casting.wall == "machined" else ""
    faces = f"front, back with the seat, {machined}holes and the back of a flange"
    if part.solid.sizes.kind == "body":
        whole = "wall and outside, " if casting.wall == "machined" else ""
        faces = f"back, recess and seat, {whole}holes"
    return [
        "sign with a bar: machined; with a circle: as it is cast, nothing is taken off (ISO 21920-1, from memory)",
        f"machined: {faces}; sizes between machined surfaces: ISO 2768-m",
        f"as cast: all else; sizes to a surface as cast: DCTG {casting.grade} of ISO 8062-3, half of it either way,"
        f" for the outside of {widest:.2f} ±{mm(0.5 * width)}",
        sharp,
    ]
