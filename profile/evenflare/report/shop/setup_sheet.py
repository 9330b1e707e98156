"""The set-up sheet: what a machinist reads before pressing start, on paper."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from evenflare.manufacture.casting.casting import CAUTIONS as CASTING_CAUTIONS
from evenflare.manufacture.milling.gcode import CAUTIONS as CUTTING_CAUTIONS
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.proof.proof import Proof
from evenflare.manufacture.sheets.layer_files import GLUE_CAUTIONS
from evenflare.report.kit import style
from evenflare.report.kit.paper import Sheet
from evenflare.report.shop import cutting
from evenflare.units import MILLIMETRE, MINUTE, PERCENT
from evenflare.waveguide import Waveguide

_MAP = 66.0
"""mm, side of a map."""
_MAP_LEFT, _MAP_APART = 10.0, 22.0
_KINDS = {"ball": "ball nose", "bull": "bull nose", "flat": "flat end", "drill": "drill", "turning": "insert"}


def pages(
    waveguide: Waveguide,
    process: Process,
    programs: Sequence[Program],
    proof: Proof | None,
    *,
    stock: str,
    by_hand: Sequence[str],
    name: str,
    design_id: str,
) -> list[Any]:
    """The pages of the sheet.

    programs : in the order in which they run; none where the process has no machine.
    stock    : what the part is cut from, in words.
    by_hand  : what of the part is in no program.
    """
    sheet = Sheet(f"Set-up sheet: {name}", f"Design id {design_id}. Process {process.name}. Made by evenflare.")
    if proof is not None and not proof.passed:
        sheet.lines(
            ["The proof by cutting in software FAILED: no program was written. Do not cut."], colour=style.ORANGE
        )
    wide, high = (f"{side / MILLIMETRE:.1f}" for side in (waveguide.mouth_width, waveguide.mouth_height))
    size = f"Ø{wide}" if waveguide.is_round else f"{wide} x {high}"
    sheet.heading("Part")
    sheet.lines(
        [
            f"Waveguide {waveguide.depth / MILLIMETRE:.1f} mm deep, mouth {size} mm; sizes in drawing.pdf.",
            f"Material {process.material}, {process.density:g} kg per cubic metre.",
            f"Tolerance of the waveguide's wall {process.tolerance / MILLIMETRE:g} mm along its normal, either way.",
            *(f"{each[0].upper()}{each[1:]}." for each in by_hand),
            *([f"Stock, in mm: {stock.removeprefix('stock: ')}."] if stock else []),
        ],
        mark="•",
    )
    cautions = [*CUTTING_CAUTIONS]
    if programs:
        _programs(sheet, programs, proof)
        _tools(sheet, process, programs)
    if "sheets" in process.makes:
        _layers(sheet, process)
        cautions = [*GLUE_CAUTIONS]
    if "pattern" in process.makes:
        _pattern(sheet, process)
        cautions = [*CASTING_CAUTIONS, *([] if not programs else CUTTING_CAUTIONS)]
    sheet.heading("Cautions")
    sheet.lines([_sentence(each) for each in dict.fromkeys(cautions)], mark="!")
    if proof is not None:
        _proof(sheet, proof)
    return sheet.pages


def _programs(sheet: Sheet, programs: Sequence[Program], proof: Proof | None) -> None:
    verdicts = {} if proof is None else {each.program: each for each in proof.programs}
    rows = [
        [
            str(number),
            f"{each.name}.nc",
            each.tool.name,
            f"{each.lowest / MILLIMETRE:.2f} mm",
            f"{max(1.0, each.duration / MINUTE):.0f} min",
            "passed" if each.name in verdicts and verdicts[each.name].accepted else "FAILED",
        ]
        for number, each in enumerate(programs, start=1)
    ]
    sheet.heading("Programs, in this order")
    head = ["", "Program", "Tool", "Lowest Z", "About", "Proof"]
    sheet.table(head, rows, (0.05, 0.27, 0.25, 0.16, 0.13, 0.14))
    for number, each in enumerate(programs, start=1):
        sheet.heading(f"{number}. {each.name}")
        sheet.lines([f"Datum: {each.datum}.", *(f"{step[0].upper()}{step[1:]}." for step in each.setup)], mark="•")


def _tools(sheet: Sheet, process: Process, programs: Sequence[Program]) -> None:
    used = {each.tool.name: each.tool for each in programs}
    sheet.heading("Tools")
    head = ["Tool", "Kind", "Diameter", "Corner", "Flutes", "Stick-out", "Shank", "Holder"]
    sheet.table(head, [_tool(each) for each in used.values()], (0.2, 0.14, 0.12, 0.1, 0.1, 0.12, 0.1, 0.12))
    machine = process.machine
    sheet.lines(
        [
            f"In mm. Spindle {machine.spindle_rpm:.0f} turns a minute; feed"
            f" {machine.cutting_feed * MINUTE / MILLIMETRE:.0f} mm/min, plunging"
            f" {machine.plunge_feed * MINUTE / MILLIMETRE:.0f}; safe height {machine.safe_height / MILLIMETRE:g} above"
            " the front. Figures of the process file: set them for the machine, the tool and the timber at hand."
        ]
    )


def _tool(tool: Tool) -> list[str]:
    sizes = (tool.diameter, tool.corner_radius, tool.flute_length, tool.reach)
    return [
        tool.name,
        _KINDS[tool.kind],
        *(f"{size / MILLIMETRE:g}" for size in sizes),
        f"{tool.shank_diameter / MILLIMETRE:g}",
        f"{tool.holder_diameter / MILLIMETRE:g}",
    ]


def _layers(sheet: Sheet, process: Process) -> None:
    stock = process.stock
    width, height = (side / MILLIMETRE for side in stock.sheet_size)
    bevel = "cut_inside_front and cut_inside_back (a slope from face to face), cut_inside (straight)"
    inside = "cut_inside" if stock.layer_edges == "step" else bevel
    sheet.heading("Layers")
    sheet.lines(
        [
            f"Cut the outlines of layers.dxf out of sheets of {width:g} by {height:g} mm,"
            f" {stock.sheet_thickness / MILLIMETRE:g} thick, {stock.spacing / MILLIMETRE:g} between parts. Outlines are"
            " at finished size: the machine's program offsets the cutter.",
            f"Operations stand as layers of the drawing: cut_outside, {inside}, drill, engrave.",
            "Measure every sheet first; glue_up.txt has the order of work, layers.csv what lies where.",
        ],
        mark="•",
    )


def _pattern(sheet: Sheet, process: Process) -> None:
    casting = process.casting
    assert casting is not None
    rule = "times 1 + s" if casting.contraction_of == "casting" else "divided by 1 - s"
    sheet.heading("Pattern")
    sheet.lines(
        [
            f"Alloy {casting.alloy}; contraction s = {casting.contraction / PERCENT:g} % of the"
            f" {casting.contraction_of}: the pattern is the casting {rule}. It is in pattern.stl: do not add it again.",
            "pattern.csv has every size on pattern, casting and part with its tolerance, parting line, draft, where"
            " the wall does not draw, and the marking.",
        ],
        mark="•",
    )


def _proof(sheet: Sheet, proof: Proof) -> None:
    sheet.heading("Proof by cutting in software", room=_MAP + 30.0)
    sheet.lines(cutting.lines(proof), mark="•")
    for each in proof.programs:
        sheet.space(6.0)
        for k, what in enumerate(("gouge", "leftover")):
            axes = sheet.axes(_MAP, _MAP, left=_MAP_LEFT + k * (_MAP + _MAP_APART), below=k == 1)
            cutting.panel(axes, each, what)
            axes.set_title(f"{each.program}: {what}", fontsize=style.TEXT, color=style.INK)
        sheet.space(14.0)


def _sentence(caution: str) -> str:
    text = caution.removeprefix("caution: ").strip()
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
