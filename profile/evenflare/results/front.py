"""The front of a search as a table, and in words."""

from __future__ import annotations

from collections.abc import Sequence

from evenflare.search.front import Member, ParetoFront
from evenflare.text import quoted, table
from evenflare.words import unit_apart

FIXED = ("number", "family", "stage")


def csv_text(front: ParetoFront, *, header: Sequence[str]) -> str:
    """A row for each candidate on the front. header : lines that say what it is."""
    names = [each.name for each in front.quantities]
    rows = [
        [
            str(each.number),
            quoted(each.family),
            front.stage,
            *(f"{value:.6g}" for value in each.values),
            " ".join(each.points),
        ]
        for each in front.members
    ]
    return table([*FIXED, *names, "point"], rows, header=[*header, *notes(front)])


def notes(front: ParetoFront) -> list[str]:
    """What the table says, a line each."""
    ways = ", ".join(f"{each.name} {each.better} is better" for each in front.quantities)
    return [
        f"candidates that no other beats in all of these at once: {ways}",
        f"{len(front.members)} of {len(front.others)} that keep the limits, judged at {front.stage}; differences below"
        " 0.001 dB, 0.1 mm and 0.1 degrees do not count",
        "point: lowest_ and highest_ are the ends, the best in one quantity; knee is farthest from the line (of three,"
        " the plane) through the ends once all are scaled to 0 to 1 over the front",
    ]


def names_words(front: ParetoFront) -> str:
    """Its quantities in words, without units."""
    *first, last = (unit_apart(each.name).partition(", ")[0] for each in front.quantities)
    return f"{', '.join(first)} and {last}"


def values_words(front: ParetoFront, member: Member) -> str:
    """A member's quantities in words."""
    return ", ".join(_words(each.name, value) for each, value in zip(front.quantities, member.values, strict=True))


def _words(name: str, value: float) -> str:
    words, _, unit = unit_apart("score_db" if name == "score" else name).partition(", ")
    return f"{words} {value:.4g}{unit and ' ' + unit}"


def lines(front: ParetoFront) -> list[str]:
    """What the front says: how many stand on it, its ends and its knee."""
    said = [
        f"{len(front.members)} of {len(front.others)} candidates that keep the limits are beaten by none in"
        f" {names_words(front)}, judged at"
        f" {front.stage}"
    ]
    for point, member in front.marked.items():
        label = "Knee" if point == "knee" else _end_words(point)
        said.append(f"{label}: number {member.number}, {values_words(front, member)}")
    if len(front.members) > len(front.quantities) and "knee" not in front.marked:
        said.append("No knee: nothing lies beyond the line between the ends")
    return said


def _end_words(point: str) -> str:
    way, _, name = point.partition("_")
    return f"{way.capitalize()} {unit_apart(name).partition(', ')[0]}"
