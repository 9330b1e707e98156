"""All programs of a part as one list of points, for whoever has another controller or wants to look."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from evenflare.manufacture.milling.gcode import CAUTIONS, FEED_UNIT
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Process
from evenflare.text import CELLS, quoted, table
from evenflare.units import MILLIMETRE

COLUMNS = ("program", "index", "x_mm", "y_mm", "z_mm", "feed_mm_per_min", "rapid", "tool")


def toolpath(programs: Sequence[Program], process: Process, *, design_id: str, name: str) -> str:
    """The text of `toolpath.csv`: a row per move, straight from the row before, to its place."""
    header = [
        "evenflare tool path: every program of the part in the order in which they run, a row per straight move",
        f"design: {name}",
        f"design id: {design_id}",
        f"process: {process.name}; tolerance_mm {process.tolerance / MILLIMETRE:g}, scallop_height_mm"
        f" {process.scallop_height / MILLIMETRE:g}",
        "units: mm and mm/min; rapid 1: not cutting; x_mm of a turning program is a diameter, as in the program",
        *(f"datum of {program.name}: {program.datum}" for program in programs),
        CELLS,
        *CAUTIONS,
    ]
    rows = (row for program in programs for row in _rows(program))
    return table(COLUMNS, rows, header=header)


def _rows(program: Program) -> Iterator[tuple[str, ...]]:
    scale = np.array([2.0 if program.kind == "turning" else 1.0, 1.0, 1.0])
    place = np.round(program.position * scale / MILLIMETRE, 4) + 0.0
    feed = np.round(program.feed / FEED_UNIT, 1)
    name, tool = program.name, quoted(program.tool.name)
    moves = zip(place.tolist(), feed.tolist(), program.rapid.tolist(), strict=True)
    for index, ((x, y, z), f, rapid) in enumerate(moves, start=1):
        yield name, str(index), f"{x:.4f}", f"{y:.4f}", f"{z:.4f}", f"{f:.1f}", "1" if rapid else "0", tool
