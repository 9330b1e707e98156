"""Every reading of a session as a row, `readings.csv`, and what there is to say of them in words."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from evenflare.measurement.assemble import Assembled
from evenflare.measurement.checked import Checked
from evenflare.measurement.orbits import plane_name
from evenflare.results.formats import LOUD
from evenflare.results.journal import plain_cell
from evenflare.text import CELLS, quoted, table
from evenflare.units import DEGREE, MILLISECOND

COLUMNS = (
    *("file", "azimuth_deg", "off_axis_deg", "repeat", "peak_db", "clipped", "signal_to_noise_db", "arrival_ms"),
    *("polarity", "late_ms", "level_off_db", "repeats", "apart_db", "verdict", "remarks"),
)
MOST_NAMED = 6
"""Readings named in a sentence."""


def readings_text(found: Assembled, *, header: Sequence[str]) -> str:
    """The table: a row a reading, then one for each that is missing; empty where a number is not known."""
    rows = [_row(each) for each in found.readings]
    for lacking in found.missing:
        row = dict.fromkeys(COLUMNS, "")
        row |= {"file": quoted(lacking.file), "azimuth_deg": _number(lacking.azimuth / DEGREE, 3), "verdict": "missing"}
        row["off_axis_deg"] = _number(lacking.off_axis / DEGREE, 3)
        rows.append(row)
    return table(COLUMNS, ([row[name] for name in COLUMNS] for row in rows), header=[*header, CELLS, LOUD])


def _row(each: Checked) -> dict[str, str]:
    return {
        "file": quoted(each.file),
        "azimuth_deg": _number(each.azimuth / DEGREE, 3),
        "off_axis_deg": _number(each.off_axis / DEGREE, 3),
        "repeat": str(each.repeat),
        "peak_db": _number(each.peak, 2),
        "clipped": plain_cell(each.clipped),
        "signal_to_noise_db": _number(each.signal_to_noise, 2),
        "arrival_ms": _number(each.arrival / MILLISECOND, 4),
        "polarity": _number(each.polarity, 0),
        "late_ms": _number(each.late / MILLISECOND, 4),
        "level_off_db": _number(each.level, 3),
        "repeats": str(each.repeats),
        "apart_db": _number(each.apart, 3),
        "verdict": each.verdict,
        "remarks": quoted(" ".join(f"{remark.words}." for remark in each.remarks)),
    }


def _number(value: float, decimals: int) -> str:
    # Adding zero turns -0.0 into 0.0.
    return f"{round(value, decimals) + 0.0:.{decimals}f}".removesuffix(".000") if isfinite(value) else ""


def message(found: Assembled) -> list[str]:
    """Whether the readings are in order, and what to repeat: sentences without their full stops."""
    count, said = len(found.readings), []
    by_verdict = {
        verdict: [each for each in found.readings if each.verdict == verdict]
        for verdict in ("repeat", "left out", "weak")
    }
    wrong = len(by_verdict["repeat"]) + len(by_verdict["left out"])
    if not wrong and not by_verdict["weak"] and not found.missing:
        return [f"Readings: nothing is wrong with any of the {count}"]
    said.append(f"Readings: {count - wrong - len(by_verdict['weak'])} of {count} are in order")
    if by_verdict["repeat"]:
        said.append(f"Repeat {_named(by_verdict['repeat'])}")
    if by_verdict["left out"]:
        said.append(f"Left out, since others of their directions stand for them: {_named(by_verdict['left out'])}")
    if found.missing:
        files = [f"{each.file} ({plane_name(each.azimuth)})" for each in found.missing]
        said.append(f"Missing, to be measured: {_listed(files)}")
    if by_verdict["weak"]:
        said.append(f"Hardly above their noise: {_listed([each.file for each in by_verdict['weak']])}")
    return said


def _named(readings: Sequence[Checked]) -> str:
    what = {"level": "wrong level"}
    return _listed(
        [
            f"{each.file} ({', '.join(dict.fromkeys(what.get(r.what, r.what) for r in each.remarks))})"
            for each in readings
        ]
    )


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
