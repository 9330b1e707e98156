"""Limits that hold a winner back, as a table and in words."""

from __future__ import annotations

from collections.abc import Sequence

from evenflare.search.binding import FEWEST, PART, SETTING, Binding
from evenflare.text import table
from evenflare.words import unit_apart

COLUMNS = ("limit", "end", "allowed", "value", "relaxed_by", "gain_db", "gain_db_per_unit", "candidates")
AT = 0.05
"""Of the step: nearer to a limit than this is at it."""
NO_GAIN = 0.0005
"""dB; less is nothing with three decimals."""


def csv_text(found: Sequence[Binding], *, header: Sequence[str]) -> str:
    """A row for each limit that binds. header : lines that say what it is."""
    rows = [
        [
            *(each.limit, each.end, f"{each.allowed:.6g}", f"{each.value:.6g}", f"{each.step:.6g}"),
            *("" if each.gain is None else f"{gain:.4f}" for gain in _gains(each)),
            str(each.candidates),
        ]
        for each in found
    ]
    notes = [
        "limits that the winner has come up against; numbers in the unit of the limit's name, gains in dB of score",
        f"gain: a descent from the winner within the relaxed limit against one within the limits as they are, as many"
        f" candidates each, judged at {SETTING}; empty where it was not measured",
    ]
    return table(COLUMNS, rows, header=[*header, *notes])


def _gains(each: Binding) -> tuple[float, float]:
    gain = each.gain or 0.0
    return gain, gain / each.step


def lines(found: Sequence[Binding]) -> list[str]:
    """A sentence for each limit, without its full stop, or one that says that none binds."""
    if not found:
        return ["No limit binds the winner: it keeps clear of all of them"]
    said = [_sentence(each) for each in found]
    if any(each.gain is None for each in found):
        least = FEWEST * PART * (len(found) + 1)
        said.append(
            f"What relaxing would gain was not measured: that takes a search of {least} candidates or more, carried out"
        )
    return said


def _sentence(each: Binding) -> str:
    name, _, unit = unit_apart(each.limit).partition(", ")
    where = f"{name} is at its {each.end}, {each.allowed:.4g}{unit and ' ' + unit}"
    if abs(each.value - each.allowed) > AT * each.step:
        where = f"{name} is near its {each.end}, {each.allowed:.4g} ({each.value:.4g}{unit and ' ' + unit})"
    where = where[0].upper() + where[1:]
    if each.gain is None:
        return where
    way = "more" if each.end == "greatest" else "less"
    if each.gain < NO_GAIN:
        return f"{where}; {each.step:.3g} {unit} {way} gains nothing"
    per = {"mm": "mm", "degrees": "degree"}.get(unit, "unit")
    return f"{where}; {each.step:.3g} {unit} {way} gains {each.gain:.3f} dB ({each.gain / each.step:.4f} dB per {per})"
