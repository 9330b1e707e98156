"""What a person needs to set out the wall by hand: the family's formula with its numbers, and coordinates.

They are dense where the wall bends, so that straight lines between them stay within a stated distance of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.outline import body_outside
from evenflare.report.kit import paper
from evenflare.report.kit.paper import NUMBERS, SMALL, SUBHEADING
from evenflare.units import DEGREE, MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide import Oblong, RoundedRectangle, Shape, Superellipse, Surface, Waveguide, families, family
from evenflare.waveguide.meridian import TOUCH, Meridian, joined, sampled
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.waveguide.surface import depth_at
from evenflare.waveguide.walls import Arc
from evenflare.words import mm

SHARE = 0.25
"""Of the narrowest side of any zone, that straight lines between rows may be off the wall."""
CLOSE = 0.02 * MILLIMETRE
"""That they may be off where zones are wide: what is set out is the wall as drawn."""
LEAST = 1e-6
"""m; rows closer than that say no more, since they have three decimals of a mm."""
MOST = 150
"""Rows; where they do not do, lines stray further, as is told."""
MOST_PLACES = 24
"""Values of a list that stand beside a formula."""
_WIDER = 1.4
_FINE = 401
_ABOUT = np.array([0.0, 0.125, 0.25, 0.375, 0.5]) * np.pi
_DIAGONAL = 1.0 - np.sqrt(0.5)
_CORNER = 0.05 * DEGREE
"""An angle that jumps by more is a corner, which has two rows."""


class SetOut(NamedTuple):
    """Rows of a table in mm and degrees, under their heads; `strays`: m, that lines between rows leave the wall by."""

    head: tuple[str, ...]
    rows: list[list[str]]
    strays: float


@dataclass(frozen=True)
class _Traced:
    """Columns of a table at many places: along the wall, and what lies between two of them by straight lines.

    at      : (N, K) columns, the depth first; m, exponents as they are.
    curves  : (N, C), m, distances from the axis that follow from columns.
    needed  : indices that must have a row.
    """

    at: FloatArray
    curves: Callable[[FloatArray], FloatArray]
    needed: Sequence[int]


def flow(waveguide: Waveguide, asked: WallAsked, width: float) -> list[Any]:
    """Formulas and coordinates, for a column of that width in mm."""
    shape = waveguide.shape
    told: list[Any] = [paper.words("The wall, from the throat plane z = 0 to the mouth", SUBHEADING)]
    if isinstance(shape, Oblong):
        surface = waveguide.surface
        told += _formula("Horizontal meridian, half width a over z: ", shape.horizontal, surface.horizontal)
        told += _formula("Vertical meridian, half height b over z: ", shape.vertical, surface.vertical)
        told += paper.listed(_section_words(surface), SMALL, mark="–")
    else:
        told += _formula("", shape, waveguide.meridian)
    table = set_out(waveguide, asked)
    strays = np.ceil(1e3 * table.strays / MILLIMETRE - 1e-6) / 1e3
    between = (
        f"straight lines from row to row stay within {strays:.3f} of the wall; a smooth curve"
        " through them that keeps the angles, closer"
        if waveguide.is_round
        else f"a, b and the rest taken straight from row to row stay within {strays:.3f} of the wall"
    )
    columns = len(table.head)
    return [
        *told,
        *paper.listed([between], SMALL, mark="–"),
        paper.table(table.head, table.rows, [width / columns] * columns, NUMBERS),
    ]


def body_flow(waveguide: Waveguide, width: float) -> list[Any]:
    """Coordinates of a body's outside, as it is solved, for a column of that width in mm."""
    if (oblong := waveguide.oblong_body) is not None:
        return _oblong_body_flow(oblong, width)
    body = waveguide.mounting.body
    assert body is not None  # no other solid is a body
    around = body_outside(waveguide.meridian, body, chord_error=CLOSE)
    kept = np.concatenate([[True], np.hypot(np.diff(around.z), np.diff(around.r)) > TOUCH])
    rows = [_told(row) for row in np.column_stack([around.z, 2.0 * around.r])[kept].tolist()]
    lines = [f"straight lines from row to row stay within {CLOSE / MILLIMETRE:.3f} of it; it is part of what sounds"]
    return [
        paper.words("The outside, from the mouth's rim round the back to the axis", SUBHEADING),
        *paper.listed(lines, SMALL, mark="–"),
        paper.table(("z", "diameter"), rows, [width / 2.0] * 2, NUMBERS),
    ]


def _oblong_body_flow(body: OblongBody, width: float) -> list[Any]:
    """How an oblong body's outside is drawn, and its outlines in both planes of symmetry."""
    shell, planes = body.shell, np.array([0.0, 0.5 * np.pi])
    rows = list[list[float]]()
    for stretch in body.stretches[:-1]:  # the back is flat
        radius = {"rim": shell.rim_radius, "edge": shell.back_edge_radius}.get(stretch, 0.0)
        chords = int(np.ceil(0.5 * np.pi / np.arccos(1.0 - min(1.0, CLOSE / radius)))) if radius else 1
        places = body.point_at(stretch, planes, np.linspace(0.0, 1.0, chords + 1)[:, None])[0]
        told = np.column_stack([places[:, 0, 2], places[:, 0, 0], places[:, 1, 2], places[:, 1, 1]])
        rows += told[1 if rows else 0 :].tolist()
    rounded = f"; R{mm(shell.back_edge_radius)} rounds its edge" if "edge" in body.stretches else ""
    over = f"over a tube of R{mm(shell.rim_radius)} round the rim" if "rim" in body.stretches else "from the rim"
    lines = [
        f"it is the film stretched {over} to a disc of Ø{mm(shell.back_diameter)} at z = {mm(body.back)}, the back"
        f"{rounded}: straight lines join rim and disc where both run the same way, as in outside.csv",
        f"straight lines from row to row stay within {CLOSE / MILLIMETRE:.3f} of it; it is part of what sounds",
    ]
    head = ("z at y = 0", "x", "z at x = 0", "y")
    return [
        paper.words("The outside, from the mouth's rim to the flat back", SUBHEADING),
        *paper.listed(lines, SMALL, mark="–"),
        paper.table(head, [_told(row) for row in rows], [width / 4.0] * 4, NUMBERS),
    ]


def set_out(waveguide: Waveguide, asked: WallAsked) -> SetOut:
    """The wall's coordinates: of a round one z, diameter and angle; of an oblong one its sections over z."""
    error = min(CLOSE, SHARE * min(min(zone.minus, zone.plus) for zone in asked.zones))
    if waveguide.is_round:
        wall = joined(sampled(waveguide.meridian, chord_error=0.2 * LEAST))
        joints = np.flatnonzero(np.hypot(np.diff(wall.z), np.diff(wall.r)) < TOUCH)
        corners = joints[np.abs(wall.angle[joints + 1] - wall.angle[joints]) > _CORNER]
        needed = sorted({*(joints + 1).tolist(), *corners.tolist()})
        traced = _Traced(np.column_stack([wall.z, 2.0 * wall.r]), lambda at: 0.5 * at[:, 1:], needed)
        rows, strays = _chosen(traced, error)
        cells = [[*_told(traced.at[k].tolist()), f"{wall.angle[k] / DEGREE:.2f}"] for k in rows]
        return SetOut(("z", "diameter", "angle °"), cells, strays)
    surface = waveguide.surface
    head, traced = _sections(surface)
    rows, strays = _chosen(traced, error)
    cells = [
        [f"{each:.4f}" if name == "n" else f"{each / MILLIMETRE:.3f}" for name, each in zip(head, row, strict=True)]
        for row in traced.at[rows].tolist()
    ]
    return SetOut(head, cells, strays)


def _told(row: Sequence[float]) -> list[str]:
    """Lengths in mm."""
    return [f"{each / MILLIMETRE:.3f}" for each in row]


def _formula(start: str, shape: Shape, wall: Meridian) -> list[Any]:
    """A family's formula, its numbers, and the arc that ends the wall."""
    told, end = [], wall.pieces[-1]
    known = family(shape.family) if shape.family in families() else None
    if known is None or not known.formula:
        told.append(f"{start}a curve through points: the coordinates below")
    else:
        values = [f"r0 = {wall.throat_radius / MILLIMETRE:.4f}"]
        for parameter in known.parameters:
            value = getattr(shape, parameter.name)
            if not parameter.symbol:
                continue
            if parameter.count is not None:
                many = len(value) > MOST_PLACES
                listed = f"{len(value)} values, see design.toml" if many else ", ".join(f"{each:.6g}" for each in value)
                values.append(f"{parameter.symbol} = {listed} per m")
            elif parameter.unit == DEGREE:
                values.append(f"{parameter.symbol} = {value / DEGREE:.5f}°")
            else:
                length = parameter.unit in (None, MILLIMETRE)
                values.append(f"{parameter.symbol} = {value / (MILLIMETRE if length else 1.0):.5f}")
        told.append(f"{start}{known.what[0].lower()}{known.what[1:]}: {known.formula}; {'; '.join(values)}")
    if isinstance(end, Arc) and len(wall.pieces) > 1:
        z, r, turn = end.z0, end.r0, end.angle0
        centre = z - end.radius * np.sin(turn), r + end.radius * np.cos(turn)
        told.append(
            f"{start}from z = {z / MILLIMETRE:.4f}, r = {r / MILLIMETRE:.4f}, where the angle is"
            f" {turn / DEGREE:.4f}°, an arc R = {end.radius / MILLIMETRE:.4f} about z = {centre[0] / MILLIMETRE:.4f},"
            f" r = {centre[1] / MILLIMETRE:.4f} to the mouth"
        )
    return paper.listed(told, SMALL, mark="–")


def _section_words(surface: Surface) -> list[str]:
    if isinstance(surface.section, RoundedRectangle):
        return [
            "sections at constant z: a rectangle 2a wide (x) and 2b high (y) whose corners are quarter ellipses with"
            " the half axes c along x and d along y, tangent to its sides"
        ]
    return ["sections at constant z: |x / a|ⁿ + |y / b|ⁿ = 1 with the exponent n of the row, 2 for an ellipse"]


def _sections(surface: Surface) -> tuple[tuple[str, ...], _Traced]:
    """Heads and columns of an oblong wall's table."""
    z, a, b = [], [], []
    needed, count = [0], 0
    for stretch in range(len(surface.cuts) - 1):
        depths = depth_at(surface, stretch, np.linspace(0.0, 1.0, _FINE))
        axes = surface.axes(depths, stretch=stretch)
        z.append(depths)
        a.append(axes.a)
        b.append(axes.b)
        count += _FINE
        needed.append(count - 1)
    depth, wide, high = np.concatenate(z), np.concatenate(a), np.concatenate(b)
    section = surface.section
    if isinstance(section, RoundedRectangle):
        c, d = section.shares(depth, mouth=surface.mouth) * (wide, high)
        return ("z", "a", "b", "c", "d"), _Traced(np.column_stack([depth, wide, high, c, d]), _cornered, needed)
    assert isinstance(section, Superellipse)  # there is no other that a design file can state
    n = section.exponent_at(depth, depth=surface.depth)
    return ("z", "a", "b", "n"), _Traced(np.column_stack([depth, wide, high, n]), _powered, needed)


def _cornered(at: FloatArray) -> FloatArray:
    return np.column_stack([at[:, 1:3], at[:, 1:3] - _DIAGONAL * at[:, 3:5]])


def _powered(at: FloatArray) -> FloatArray:
    a, b, n = (at[:, k, None] for k in (1, 2, 3))
    cosine, sine = np.abs(np.cos(_ABOUT)), np.abs(np.sin(_ABOUT))
    factor = (cosine**n + sine**n) ** (-1.0 / n)
    return np.asarray(factor * np.hypot(a * cosine, b * sine))


def _chosen(traced: _Traced, error: float) -> tuple[IntArray, float]:
    """Rows between which columns taken straight are off by at most `error` (m), or what is needed for MOST rows."""
    error = max(error, LEAST)
    while True:
        rows = _split(traced, error)
        if rows.size <= MOST:
            return rows, error
        error *= _WIDER


def _split(traced: _Traced, error: float) -> IntArray:
    """Halve, at the worst place, every stretch whose chord is further off than that (Ramer; Douglas and Peucker)."""
    at, curves = traced.at, traced.curves(traced.at)
    ends = sorted({0, *traced.needed, len(at) - 1})
    kept, open_ = set(ends), list(itertools.pairwise(ends))
    while open_:
        low, high = open_.pop()
        if high - low < 2:
            continue
        off = _off(traced, curves, low, high)
        worst = int(off.argmax())
        if off[worst] > error:
            middle = low + worst
            kept.add(middle)
            open_ += [(low, middle), (middle, high)]
    return np.array(sorted(kept))


def _off(traced: _Traced, curves: FloatArray, low: int, high: int) -> FloatArray:
    """m, by how much what is taken straight between two rows leaves the wall, across it, at every place between."""
    at, true = traced.at[low : high + 1], curves[low : high + 1]
    along, out = at[:, 0] - at[0, 0], true - true[0]
    run, rise = along[-1], out[-1]
    length = np.maximum(np.hypot(run, rise), TOUCH)
    if abs(run) > LEAST:
        straight = traced.curves(at[0] + (along / run)[:, None] * (at[-1] - at[0]))
        off = np.abs(straight - true) * abs(run) / length
    else:
        off = np.abs(along[:, None] * rise - out * run) / length
    off[[0, -1]] = 0.0
    return np.asarray(off.max(axis=1))
