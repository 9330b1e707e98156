"""The log of prototypes as a table, and what changed from one to the next in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from evenflare.measurement.journal import Prototype, Step, steps
from evenflare.text import CELLS, quoted, table

ROW = ("number", "added", "name", "design_id", "rms_db", "rms_change_db", "bias_db", "worst_db", "worst_at_hz")
MORE = ("worst_off_axis_deg", "index_rms_db", "within", "calibrated_before_rms_db", "calibrated_after_rms_db")
LAST = ("changed", "notes", "files")
PART = ("part_rms_mm", "part_scale", "part_bow_mm", "part_index_rms_db", "part_within")
"""Of the part as it was inspected."""
LONGEST = 40
"""Characters of a value, beyond which only its kind is said."""


def value_words(value: Any) -> str:
    """A value of a design file in few characters."""
    if value is None:
        return "none"
    if isinstance(value, list):
        inside = ", ".join(value_words(each) for each in value)
        return f"[{inside}]" if len(inside) < LONGEST else f"{len(value)} values"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def change_words(key: str, change: tuple[Any, Any]) -> str:
    """One key of the design: its old and new value."""
    old, new = (value_words(each) for each in change)
    name = key.removeprefix("waveguide.")
    return f"{name} changed" if old == new else f"{name} {old} to {new}"


def changed_words(step: Step) -> list[str]:
    """Every change from one prototype to the next."""
    return [change_words(key, change) for key, change in step.changed.items()]


def csv_text(prototypes: Sequence[Prototype], *, header: Mapping[str, str]) -> str:
    """A row a prototype. header : lines by what they say, which begin with #."""
    leading = {step.after.number: step for step in steps(prototypes)}
    rows = [_row(each, leading.get(each.number)) for each in prototypes]
    return table((*ROW, *MORE, *LAST, *PART), rows, header=[*header.values(), CELLS])


def _row(each: Prototype, step: Step | None) -> list[str]:
    found, known = each.comparison or {}, calibrated_rms(each)
    place = found.get("worst")
    worst = place if isinstance(place, dict) else {}
    values = [
        *(each.number, each.added, each.name, each.design_id, each.rms, None if step is None else step.difference),
        *(found.get("bias_db"), worst.get("deviation_db"), worst.get("frequency_hz"), worst.get("off_axis_deg")),
        *(found.get("index_rms_db"), found.get("within"), *(known or (None, None))),
        *("; ".join(changed_words(step)) if step else "", each.notes, "; ".join(each.files)),
        *((each.inspection or {}).get(key.removeprefix("part_")) for key in PART),
    ]
    return [plain_cell(value) for value in values]


def calibrated_rms(prototype: Prototype) -> tuple[float, float] | None:
    """dB rms before and after the calibration, on the angles that it did not see."""
    if prototype.calibration is None:
        return None
    rms = prototype.calibration.rms
    return rms.get("held_out_before", float("nan")), rms.get("held_out_after", float("nan"))


def plain_cell(value: Any) -> str:
    """A plain value as a whole cell: six digits of a number, 1 for true, nothing for None, anything else quoted."""
    if value is None:
        return ""
    if isinstance(value, bool | int):
        return str(int(value))
    return f"{value:.6g}" if isinstance(value, float) else quoted(str(value))
