"""Zones of a wall on paper: marked on a section with a letter each, as a table, and what they come from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from evenflare.manufacture.gauges.asked import WallAsked, indication, origin_words, places, remedy_words, sides
from evenflare.manufacture.gauges.asked import letter as zone_name
from evenflare.report.kit import paper
from evenflare.report.kit.drafting import THIN, View, letter, line
from evenflare.units import MILLIMETRE
from evenflare.waveguide.wall_zones import WallZone

APART = 3.6
"""mm of paper, from letter to letter: more than the two of the longest name of a zone take."""
ROW = 3.4
"""mm of paper, from row to row, where one row does not hold all."""


def mark(view: View, asked: WallAsked, half: Callable[[float], float], *, depth: float) -> None:
    """A zone's ends across the bore, its letter near the axis, and a leader from there to the wall.

    half  : mm of the part, from the axis to the wall at a depth in mm.
    depth : mm, of the waveguide.
    """
    for zone in asked.zones[1:]:
        z = zone.from_z / MILLIMETRE
        line(view, [(z, -half(z)), (z, half(z))], THIN)
    middles = [_middle(zone, depth) for zone in asked.zones]
    spots = letters_at([middle / view.scale for middle in middles], depth / view.scale)
    for middle, (x, y) in zip(middles, spots, strict=True):
        line(view, [(x * view.scale, y * view.scale), (middle, -half(middle))], THIN)
    for number, (x, y) in enumerate(spots):
        letter(view.sheet, view.on_paper((x * view.scale, y * view.scale)), zone_name(number), away=(0.0, 0.5))


def letters_at(middles: Sequence[float], depth: float) -> list[tuple[float, float]]:
    """mm of paper along the axis and beside it: places for letters that stand apart, as near their zones' middles as
    they can, in as many rows as a depth needs.
    """
    rows = max(1, -(-len(middles) * int(10 * APART) // max(1, int(10 * depth))))
    found: dict[int, tuple[float, float]] = {}
    for row in range(rows):
        own = range(row, len(middles), rows)
        places, low = [], 0.5 * APART
        for number in own:
            places.append(max(middles[number], low))
            low = places[-1] + APART
        high = max(depth - 0.5 * APART, (len(places) - 0.5) * APART)
        for k in reversed(range(len(places))):
            places[k] = min(places[k], high)
            high = places[k] - APART
        for number, place in zip(own, places, strict=True):
            found[number] = place, ROW * (row - 0.5 * (rows - 1))
    return [found[number] for number in range(len(middles))]


def _middle(zone: WallZone, depth: float) -> float:
    return 0.5 * (zone.from_z / MILLIMETRE + min(zone.to_z / MILLIMETRE, depth))


def tables(asked: WallAsked, width: float, look: Any) -> list[Any]:
    """The zones, over a width in mm, and their frames."""
    return [*([_table(asked, width, look)] if tabled(asked) else []), _frames(asked, look)]


def tabled(asked: WallAsked) -> bool:
    """Whether the zones need a table: one that is even has all in its frame."""
    return len(asked.zones) > 1 or asked.zones[0].minus != asked.zones[0].plus


def _table(asked: WallAsked, width: float, look: Any) -> Any:
    rows = [
        [zone_name(number), *places(zone), *sides(zone), f"{(zone.minus + zone.plus) / MILLIMETRE:.3f}"]
        for number, zone in enumerate(asked.zones)
    ]
    return paper.table(["zone", "from z", "to z", "minus", "plus", "total"], rows, [width / 6.0] * 6, look)


def _frames(asked: WallAsked, look: Any) -> Any:
    """The tolerance frame of each zone's profile, referred to datum A, the throat plane, and B, the axis."""
    rows = [(f"zone {zone_name(number)}", indication(zone), ("A", "B")) for number, zone in enumerate(asked.zones)]
    return paper.profile_frames(rows, 3.9 * look.fontSize, look)


def notes(asked: WallAsked) -> list[str]:
    """How the frames are read, what the zones come from, how the wall is finished, what to do where none keeps them."""
    uneven = any("UZ" in indication(zone) for zone in asked.zones)
    read = [
        "half circle: profile of a surface, total width about the shape of points.csv (ISO 1660:2017, ISO 1101:2017,"
        " from memory)" + ("; minus: nearer to the axis, plus: further from it" if tabled(asked) else ""),
        *(["UZ: the zone's middle lies off the drawn wall, + out of the material, toward the axis"] if uneven else []),
    ]
    machined = "the waveguide's wall is machined after casting, to points.csv; the zones are of the machined wall"
    told = [machined] if asked.finish == "machined" else []
    return [*read, *told, *origin_words(asked), *remedy_words(asked)]
