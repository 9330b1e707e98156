"""The set-up sheet: what a machinist reads before pressing start, on paper."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from evenflare.design.file import Design, design_id
from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.milling.ambiguous import warnings
from evenflare.manufacture.milling.outside_milled import BACK_FINE, FINE
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.run_time import run_time
from evenflare.manufacture.milling.start_end import start_and_end
from evenflare.manufacture.milling.turning_outside import OUTSIDE, OUTSIDE_BACK
from evenflare.manufacture.part.features import features_words
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.proof.programs import Proved
from evenflare.manufacture.proof.proof import Proof
from evenflare.report.kit import paper, style
from evenflare.report.kit.paper import BODY, HEADING, TITLE, listed, table, together, words
from evenflare.report.shop import cutting, zones
from evenflare.report.shop.cautions import cautions
from evenflare.units import MILLIMETRE, MINUTE, PERCENT

_KINDS = {"ball": "ball nose", "bull": "bull nose", "flat": "flat end", "drill": "drill", "turning": "insert"}


def write_setup_sheet(
    design: Design,
    solid: SolidFile,
    process: Process,
    proved: Proved,
    asked: WallAsked,
    path: Path,
    *,
    gauged: bool = False,
    changes: Sequence[str] = (),
) -> None:
    """Write the sheet. gauged : whether gauges lie beside it; changes : what is not made as asked, in words.

    Errors: InputError as replacing.
    """
    waveguide, programs, proof = design.waveguide, proved.programs, proved.proof
    failed = "The proof by cutting in software FAILED: no program was written. Do not cut."
    wide, high = (f"{side / MILLIMETRE:.1f}" for side in (waveguide.mouth_width, waveguide.mouth_height))
    size = f"Ø{wide}" if waveguide.is_round else f"{wide} x {high}"
    lacking = features_words(solid.features, process, body=solid.sizes.kind == "body")
    part = [
        f"Waveguide {waveguide.depth / MILLIMETRE:.1f} mm deep, mouth {size} mm; sizes in drawing.pdf.",
        f"Material {process.material}, {process.density:g} kg per cubic metre.",
        *map(_sentence, [*changes, *lacking, *proved.left]),
        *_body(solid, process, [each.name for each in programs]),
        *([f"Stock, in mm: {proved.stock.removeprefix('stock: ')}."] if proved.stock else []),
    ]
    sheets, casting = "sheets" in process.makes, "pattern" in process.makes
    prints = "prints" in process.makes
    told = cautions(process, programs=bool(programs))
    flow = [
        words(f"Set-up sheet: {design.name}", TITLE),
        words(f"Design id {design_id(design)}. Process {process.name}. Made by evenflare."),
        *([words(failed, textColor=style.ORANGE)] if proof is not None and not proof.passed else []),
        *(words(f"No program {line}", textColor=style.ORANGE) for line in proved.left_out),
        words("Part", HEADING),
        *listed(part),
        *_wall(asked, gauged),
        *([*_programs(process, programs, proof), *_tools(process, programs)] if programs else []),
        *(_layers(process) if sheets else []),
        *(_pattern(process) if casting else []),
        *(_prints(process) if prints else []),
        together([words("Cautions", HEADING), *listed(told, mark="!")]),
        *([] if proof is None else _proof(proof)),
    ]
    paper.write_pdf(flow, path, title=f"{design.name} {design_id(design)}: set-up sheet")


def _body(solid: SolidFile, process: Process, programs: Sequence[str]) -> list[str]:
    """What a free-standing body needs besides, if the part is one."""
    if solid.sizes.kind != "body":
        return []
    disc = f"Ø{solid.features.seat.diameter / MILLIMETRE:g} x {solid.sizes.wall / MILLIMETRE:g}"
    cut = [name for name in (OUTSIDE, OUTSIDE_BACK, FINE, BACK_FINE) if name in programs]
    outside = f"is cut by {cut[0]}" if cut else _without_program(solid, process)
    if len(cut) > 1:
        outside += f" as far as its widest place, and by {cut[1]} behind it"
    elif cut:
        outside += " as far as its widest place; behind it it is in no program"
    return [
        f"The outside is part of what sounds: it follows outside.csv, and {outside}.",
        f"A disc of {disc} mm closes the back, flush, once the driver sits.",
    ]


def _without_program(solid: SolidFile, process: Process) -> str:
    """What becomes of a body's outside that no program cuts."""
    if process.makes_programs:
        about = "cylinder" if isinstance(solid.sizes, Sizes) else "block"
        return f"is in no program: what they leave there is a {about} about it"
    if "sheets" in process.makes:
        return "stands in steps on the layers, which are taken off to it by hand (glue_up.txt)"
    if process.casting is not None and "pattern" in process.makes:
        machined = process.casting.wall == "machined"
        return "is machined after casting" if machined else "is as cast but for what draft adds (pattern.csv)"
    return "is as it is printed"


def _wall(asked: WallAsked, gauged: bool) -> list[Any]:
    gauges = "Templates in gauges.dxf and places to probe in probe_points.csv check it; gauges.pdf says how."
    told = [*map(_sentence, zones.notes(asked)), *([gauges] if gauged else [])]
    heading = words("Tolerance of the waveguide's wall, by zone, mm", HEADING)
    return [heading, *zones.tables(asked, 140.0, BODY), *listed(told)]


def _programs(process: Process, programs: Sequence[Program], proof: Proof | None) -> list[Any]:
    verdicts = {} if proof is None else {each.program: each for each in proof.programs}
    rows = [
        [
            str(number),
            f"{each.name}.nc",
            each.tool.name,
            f"{each.lowest / MILLIMETRE:.2f} mm",
            f"{max(1.0, run_time(each, process) / MINUTE):.0f} min",
            "passed" if each.name in verdicts and verdicts[each.name].accepted else "FAILED",
        ]
        for number, each in enumerate(programs, start=1)
    ]
    head = ["", "Program", "Tool", "Lowest Z", "Time, about", "Proof"]
    flow = [words("Programs, in this order", HEADING), table(head, rows, (9.0, 48.0, 45.0, 29.0, 24.0, 25.0))]
    for number, each in enumerate(programs, start=1):
        places = map(_sentence, start_and_end(each, process, units="mm"))
        steps = [f"Datum: {each.datum}.", *map(_sentence, each.setup), *places]
        flow += [words(f"{number}. {each.name}", HEADING), *listed(steps)]
    return [*flow, *_controller(process, programs)]


def _controller(process: Process, programs: Sequence[Program]) -> list[Any]:
    """In which words the programs are, and which of them to look up."""
    controller = process.controller
    unit = "inches and inches a minute" if controller.units == "inch" else "mm and mm a minute"
    steps = [f"Programs are in the words of the dialect {controller.dialect}, in {unit}; this sheet is in mm."]
    if controller.path_tolerance:
        steps.append(
            f"{controller.path_tolerance_block} lets the controller round corners by"
            f" {controller.corner_tolerance / MILLIMETRE:g}; the proof has taken that off the tolerance."
        )
    kinds = dict.fromkeys(each.kind for each in programs)
    steps += [_sentence(line) for kind in kinds for line in warnings(process, kind)]
    return [words("Controller: look up before the first run", HEADING), *listed(steps)]


def _tools(process: Process, programs: Sequence[Program]) -> list[Any]:
    machine, rows = process.machine, []
    for tool in dict.fromkeys(each.tool for each in programs):
        sizes = [tool.diameter, tool.corner_radius, tool.flute_length, tool.reach]
        sizes += [tool.shank_diameter, tool.holder_diameter]
        called = f", T{tool.number}" if tool.number else ""
        rows.append([tool.name + called, _KINDS[tool.kind], *(f"{size / MILLIMETRE:g}" for size in sizes)])
    head = ["Tool", "Kind", "Diameter", "Corner radius", "Flute length", "Stick-out", "Shank Ø", "Holder Ø"]
    figures = (
        f"In mm. Spindle {machine.spindle_rpm:.0f} turns a minute; feed"
        f" at most {machine.cutting_feed * MINUTE / MILLIMETRE:.0f} mm/min, plunging"
        f" {machine.plunge_feed * MINUTE / MILLIMETRE:.0f}; safe height {machine.safe_height / MILLIMETRE:g} above"
        " the front. Figures of the process file: set them for the machine, the tool and the timber at hand."
    )
    widths = (34.0, 24.0, 22.0, 18.0, 24.0, 21.0, 17.0, 20.0)
    return [words("Tools", HEADING), table(head, rows, widths), words(figures)]


def _layers(process: Process) -> list[Any]:
    stock = process.stock
    width, height = (side / MILLIMETRE for side in stock.sheet_size)
    bevel = "cut_inside_front and cut_inside_back (a slope from face to face), cut_inside (straight)"
    inside = "cut_inside" if stock.layer_edges == "step" else bevel
    steps = [
        f"Cut the outlines of layers.dxf out of sheets of {width:g} by {height:g} mm,"
        f" {stock.sheet_thickness / MILLIMETRE:g} thick, {stock.spacing / MILLIMETRE:g} between parts. Outlines are"
        " at finished size: the machine's program offsets the cutter.",
        f"Operations stand as layers of the drawing: cut_outside, {inside}, drill, engrave; pocket_back, drill_back and"
        " drill_front do not go through: glue_up.txt and layer_points.csv say how deep.",
        "Measure every sheet first; glue_up.txt has the order of work, layers.csv what lies where.",
    ]
    return [words("Layers", HEADING), *listed(steps)]


def _pattern(process: Process) -> list[Any]:
    casting = process.casting
    assert casting is not None
    rule = "times 1 + s" if casting.contraction_of == "casting" else "divided by 1 - s"
    machined = "The waveguide's wall is machined after casting: the pattern has metal on it for that (pattern.csv)."
    steps = [
        *([machined] if casting.wall == "machined" else []),
        f"Alloy {casting.alloy}; contraction s = {casting.contraction / PERCENT:g} % of the"
        f" {casting.contraction_of}: the pattern is the casting {rule}. It is in pattern.stl: do not add it again.",
        "pattern.csv has every size on pattern, casting and part with its tolerance, parting line, draft, where"
        " the wall does not draw, and the marking.",
    ]
    return [words("Pattern", HEADING), *listed(steps)]


def _prints(process: Process) -> list[Any]:
    printing = process.printing
    assert printing is not None
    volume = " x ".join(f"{side / MILLIMETRE:g}" for side in printing.build_volume)
    steps = [
        f"Pieces for a printer that holds {volume} mm, in layers of {printing.layer / MILLIMETRE:g} mm; each file"
        " stands as it is printed, the throat's side down.",
        f"Shrinkage {printing.shrinkage / PERCENT:g} %: it is in the files, do not add it again.",
        "pieces.csv has sizes and mass of each piece, joints and pins, and how much of which faces needs support.",
    ]
    return [words("Prints", HEADING), *listed(steps)]


def _proof(proof: Proof) -> list[Any]:
    maps = paper.pictures([cutting.figure(each) for each in proof.programs])
    return [words("Proof by cutting in software", HEADING), *listed(cutting.lines(proof)), maps]


def _sentence(text: str) -> str:
    plain = text.removeprefix("caution: ").strip()
    return f"{plain[0].upper()}{plain[1:].rstrip('.')}."
