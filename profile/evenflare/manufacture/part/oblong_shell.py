"""The material of a shell around an oblong waveguide, as bodies whose union it is."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from evenflare.manufacture.wall.grid import SMOOTH, around, edge_turns, turned
from evenflare.units import DEGREE, MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide.surface import Patch

TIGHT = 0.95
"""Of the radius on which a wall bends outward, seen from the air: beyond it the parallel would fold."""
REACH = 0.1 * MILLIMETRE
"""m, by which the bodies reach into the air, which is cut out of them: no other face then cuts the wall."""
OVERLAP = 0.1 * MILLIMETRE
"""m, by which stretches reach past an edge, or the chord error if that is more: nothing is then left between them."""
SPARE = 0.2
"""rad, by which the body round an edge reaches into its neighbours."""
ROLL = 5 * DEGREE
"""Turn from row to row round an edge."""


def layers(
    stretches: Sequence[Patch], thickness: float, *, chord_error: float, throat: bool = True
) -> list[FloatArray]:
    """Bodies whose union, less the air, is all material within `thickness` (m) of the wall on its outside.

    Each is given by its rings (R, N, 3), m: its cross-section runs through their points in order and back to the first.
    A stretch is the body between the wall and its parallel. Where it bends too tightly the parallel would fold: a body
    of its own stops short of the centre of the bend, and its neighbours, which reach past it, meet in a valley. An edge
    is rolled round. Below the throat plane, where the first begins, one more row lets that plane cut all of the shell,
    and fills it up to its thickness where the wall narrows; not with `throat` false.
    """
    bodies = []
    runs = [stretches[0]]
    for before, after in itertools.pairwise(stretches):
        turn = np.abs(edge_turns(before, after))
        if turn.max() <= SMOOTH:
            runs[-1] = Patch(*(np.concatenate([a, b[1:]]) for a, b in zip(runs[-1], after, strict=True)))
            continue
        bodies.append(_round_edge(before, after, turn, thickness))
        runs.append(after)
    over = max(OVERLAP, chord_error)
    for place, run in enumerate(runs):
        run = _extended(run, -over if place > 0 else 0.0, over if place < len(runs) - 1 else 0.0)
        tight = np.asarray((run.curvatures[..., 1] * thickness > TIGHT).any(axis=1))
        for start, end, folds in _spans(tight):
            part = Patch(*(values[start:end] for values in run))
            bodies.append(_between(part, thickness, folds=folds, throat=throat and place == 0 and start == 0))
    return bodies


def _extended(run: Patch, back: float, on: float) -> Patch:
    """A run with one more row at either end, straight on along the wall by so much (m, 0 for none)."""
    parts = [run]
    for row, step in ((0, back), (-1, on)):
        if step:
            points, normals, curvatures = (values[[row]] for values in run)
            more = Patch(points + step * np.cross(_tangent(points), normals), normals, curvatures)
            parts = [more, *parts] if row == 0 else [*parts, more]
    return Patch(*(np.concatenate(values) for values in zip(*parts, strict=True)))


def _tangent(row: FloatArray) -> FloatArray:
    """(1, C, 3), unit, along a row (1, C, 3) of a quarter, counter-clockwise seen from the mouth."""
    line = around(row)
    along = (np.roll(line, -1, axis=1) - np.roll(line, 1, axis=1))[:, : row.shape[1]]
    return np.asarray(along / np.linalg.norm(along, axis=-1, keepdims=True))


def _spans(tight: BoolArray) -> list[tuple[int, int, bool]]:
    """Rows (first, last + 1) that are tight or not, in turn. Those that are reach a cell into their neighbours."""
    cuts = [0, *(np.flatnonzero(np.diff(tight)) + 1).tolist(), tight.size]
    spans = []
    for start, end in itertools.pairwise(cuts):
        if tight[start]:
            spans.append((max(start - 2, 0), min(end + 2, tight.size), True))
        elif end - start > 1:
            spans.append((start, end, False))
    return [span for span in spans if span[1] - span[0] > 1]


def _between(part: Patch, thickness: float, *, folds: bool, throat: bool) -> FloatArray:
    """The body between a wall and its parallel."""
    reach, depth = REACH, np.full((*part.points.shape[:2], 1), thickness)
    if folds:
        # A little less all over, so that it shares no face with its neighbours.
        reach = 0.9 * reach
        bend = np.maximum(part.curvatures[..., 1:], 1e-9)
        depth = 0.98 * np.minimum(depth, TIGHT / bend)
    inner, outer = part.points + reach * part.normals, part.points - depth * part.normals
    if throat:
        point, normal = part.points[:1], part.normals[:1]
        inward = normal * (1.0, 1.0, 0.0)
        inward = inward / np.maximum(np.linalg.norm(inward, axis=-1, keepdims=True), 1e-15)
        down = np.array([0.0, 0.0, -REACH])
        out = np.where(normal[..., 2:] >= 0.0, outer[:1], point - depth[:1] * inward)
        inner = np.concatenate([point + reach * inward + down, inner])
        outer = np.concatenate([out + down, outer])
    return np.concatenate([around(inner), around(outer)[::-1]])


def _round_edge(before: Patch, after: Patch, turn: FloatArray, thickness: float) -> FloatArray:
    """The body that a tool of radius `thickness` would leave behind an edge: a fan from a line in the air."""
    point, first, last = before.points[-1:], before.normals[-1:], after.normals[:1]
    middle = turned(first, last, np.array(0.5))
    across = np.cross(_tangent(point), middle)
    across = across / np.linalg.norm(across, axis=-1, keepdims=True)
    half = 0.5 * turn[:, None] + SPARE
    count = 1 + int(np.ceil(2.0 * float(half.max()) / ROLL))
    angles = np.linspace(-1.0, 1.0, count)[:, None, None] * half
    fan = point - thickness * (np.cos(angles) * middle - np.sin(angles) * across)
    return np.concatenate([around(point + REACH * middle), around(fan)[::-1]])
