"""How templates and places to probe are used, on paper."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from evenflare.design.file import Design, design_id
from evenflare.manufacture.gauges.asked import WallAsked, letter, short_zones
from evenflare.manufacture.gauges.probe import ProbePoint
from evenflare.manufacture.gauges.templates import Template
from evenflare.report.kit import paper
from evenflare.report.kit.paper import BODY, HEADING, SMALL, TITLE, listed, table, together, words
from evenflare.report.shop import zones
from evenflare.units import MILLIMETRE

_TENTH = 0.1
"""Of a zone, that a gauge may be off (common practice, no source)."""
_CUT = 0.1 * MILLIMETRE
"""To which a laser or a jet of water cuts an edge (common practice, no source)."""
_STRAIGHT = 1e-6
"""rad."""
CAUTIONS = (
    "Fresh edges of sheet metal cut: deburr them, wear gloves. Let nobody measure in a machine whose spindle or chuck"
    " can turn: stop it and lock it out.",
    "A template that is forced bends, and mars wood: let it down by its own weight. Measure part and template at one"
    " temperature, timber at one humidity.",
    "A template or a few places are a sample of the wall, not the whole. The machine's manual, local codes and trained"
    " people come before this sheet.",
)


def write_gauge_sheet(
    design: Design,
    asked: WallAsked,
    made: Sequence[Template],
    points: Sequence[ProbePoint],
    path: Path,
    *,
    radius: float,
) -> None:
    """Write the sheet. radius : m, of the probe's ball. Errors: InputError as replacing."""
    identity = design_id(design)
    flow = [
        words(f"Gauges: {design.name}", TITLE),
        words(f"Design id {identity}: use them on parts of this design only. Sizes in mm. Made by evenflare."),
        words("Zones of the wall", HEADING),
        *zones.tables(asked, 140.0, BODY),
        *listed([*map(_sentence, zones.notes(asked))]),
        words("Templates", HEADING),
        *listed(_steps(design, asked, made)),
        table(["Template", "Passes where"], [[each.what, _passes(each)] for each in made], (80.0, 100.0)),
        words(f"Places to probe, ball of radius {radius / MILLIMETRE:g}", HEADING),
        *listed(_probing(asked, points)),
        _places(points, asked),
        together([words("Cautions", HEADING), *listed(CAUTIONS, mark="!")]),
    ]
    paper.write_pdf(flow, path, title=f"{design.name} {identity}: gauges")


def _steps(design: Design, asked: WallAsked, made: Sequence[Template]) -> list[str]:
    narrow = min(zone.minus + zone.plus for zone in asked.zones)
    oblong = any(each.z is not None for each in made)
    told = [
        "Cut them from sheet of 2 to 3 along the outlines of gauges.dxf, which are at finished size, without kerf;"
        " green (layer go) must enter, red (layer no_go) must not. Engrave the words.",
        "Bevel the edges that meet the wall to a land of 0.5 or less, in the blade's middle plane: in a round bore a"
        " thick edge stands off.",
        f"A template may take a tenth of the zone (common practice, no source): its edges true to"
        f" {_TENTH * narrow / MILLIMETRE:.3f} here. Measure it before use, and mark it with the date.",
    ]
    if _TENTH * narrow < _CUT:
        told.append(
            "Edges cut by laser or water jet are true to about 0.1 (common practice, no source): for these zones"
            " grind or wire-cut them, or probe instead."
        )
    told += [
        "Blades: stand the part on a surface plate, throat down, datum A flat on it; where the driver's seat is a"
        " recess, on a ring that fills it. Let the blade down from the mouth, upright through the axis, datum B. Its"
        " foot touches the plate: it has entered.",
        "A go blade stands on the plate in every plane it is turned to (oblong: in its own); nowhere then may a"
        " feeler as thick as minus and plus together pass between its edge and the wall: a no-go blade alone does not"
        " find a place that is too wide within a zone (Taylor's principle, ISO 1938-1, from memory).",
        "A no-go blade touches the wall in its own zone only, and its foot stays off the plate.",
    ]
    if oblong:
        told += [
            "Plates: let them down level; the depth is that of the lower face above the plate that the part stands"
            " on. A go plate comes to rest at its engraved z or below, a no-go plate at it or above.",
            "There is no blade between both planes: a wall there does not stand square to a plane through the axis, and"
            " a sheet would touch it with one face before its edge. Plates hold it; where they are too far apart, or"
            " the wall is too flat for one, probe it.",
        ]
    waveguide = design.waveguide
    planes = [waveguide.meridian] if waveguide.is_round else [waveguide.surface.horizontal, waveguide.surface.vertical]
    if any(float(wall.dense.angle.min()) < -_STRAIGHT for wall in planes):
        told.append("Where the wall narrows toward the mouth, blades stand back to pass what is above: probe it there.")
    lacking = [
        letter(k) for k in range(len(asked.zones)) if not any(each.kind == "no_go" and each.zone == k for each in made)
    ]
    if lacking:
        told.append(f"Zone {', '.join(lacking)} lies behind an undercut, where no blade gets to: probe it.")
    return told


def _passes(each: Template) -> str:
    if each.z is not None:
        where = "at or below" if each.kind == "go" else "at or above"
        return f"it rests {where} z = {each.z / MILLIMETRE:.3f}"
    return "its foot stands on the plate" if each.kind == "go" else "its foot stays off the plate"


def _probing(asked: WallAsked, points: Sequence[ProbePoint]) -> list[str]:
    told = [
        f"{len(points)} places, closer together where the zone is narrow; with normals and every digit in"
        " probe_points.csv. Set up on datum A, then on the throat's bore, datum B; approach along the normal.",
        "What the ball's centre lies off along the normal, counted away from the axis, is the wall's departure there:"
        " good from -minus to +plus.",
    ]
    if short_zones(asked):
        told.append("The process works less closely than is asked: probe every part.")
    return told


def _places(points: Sequence[ProbePoint], asked: WallAsked) -> Any:
    rows = [
        [
            str(index),
            letter(point.zone),
            *(f"{value / MILLIMETRE:.3f}" for value in (*point.position, *point.ball)),
            *(f"{side / MILLIMETRE:.3f}" for side in (asked.zones[point.zone].minus, asked.zones[point.zone].plus)),
        ]
        for index, point in enumerate(points, start=1)
    ]
    head = ["", "zone", "x", "y", "z", "ball x", "ball y", "ball z", "minus", "plus"]
    return table(head, rows, (10.0, 14.0, *(19.0,) * 6, 17.0, 17.0), SMALL)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
