"""What a sheet warns of: what is done by the process at hand, and nothing else."""

from __future__ import annotations

from evenflare.manufacture.casting.casting import CAUTIONS as CASTING
from evenflare.manufacture.milling.gcode import CAUTIONS as CUTTING
from evenflare.manufacture.points.points import CAUTIONS as POINTS
from evenflare.manufacture.printing.print_files import CAUTIONS as PRINT
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.sheets.glue_up import GLUE_CAUTIONS as GLUE

BENCH = tuple(each for each in POINTS if "spindle" not in each and "program" not in each)
"""Of a part that no program of the process cuts: dust, and who is to be heard first."""


def cautions(process: Process, *, programs: bool) -> list[str]:
    """Sentences without their mark, each once. programs : whether the process cuts this part."""
    told: tuple[str, ...] = ()
    if "pattern" in process.makes:
        told += CASTING
    if "sheets" in process.makes:
        told += tuple(each for each in GLUE if "spindle" not in each)
    if "prints" in process.makes:
        told += PRINT
    if programs:
        told += CUTTING
    found = dict.fromkeys(each.removeprefix("caution: ").strip() for each in told or BENCH)
    return [f"{each[0].upper()}{each[1:].rstrip('.')}." for each in found]
