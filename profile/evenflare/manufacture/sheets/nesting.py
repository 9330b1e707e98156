"""Where parts lie on sheets: bottom-left, turned by a quarter where that fits better."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.units import MILLIMETRE

SLACK = 1e-9
"""m; parts may come nearer by that: rounding."""


@dataclass(frozen=True)
class Placement:
    """Where a part lies.

    sheet  : counted from 0.
    x, y   : m, of the middle of its box, from the sheet's lower left corner.
    turned : by a quarter, counter-clockwise.
    """

    sheet: int
    x: float
    y: float
    turned: bool


@dataclass(frozen=True)
class _Box:
    x: float
    y: float
    width: float
    height: float


def nest(sizes: Sequence[tuple[float, float]], *, sheet: tuple[float, float], spacing: float) -> list[Placement]:
    """A place for each part of the given width and height, in their order; as few sheets as one of three ways takes:
    all upright, all turned, or each as it lies lower. Of these the one that fills the first sheets best.

    Each part goes to the first sheet with room, as low and then as far left as it can. Parts keep `spacing` from each
    other and from the sheet's edges. Lengths in m.
    Errors : InputError if a part is larger than a sheet.
    Source : bottom-left placing (Baker, Coffman & Rivest 1980), over corners of the parts already placed.
    """
    ways = ((False, True), (False,), (True,))
    found = [places for way in ways if (places := _nested(sizes, way, sheet, spacing)) is not None]
    if not found:
        worst = max(sizes, key=max)
        raise InputError(_too_large(*worst, sheet, spacing))
    return min(found, key=_filling)


def _filling(places: Sequence[Placement]) -> tuple[int, ...]:
    count = Counter(place.sheet for place in places)
    return len(count), *(-count[sheet] for sheet in sorted(count))


def _nested(
    sizes: Sequence[tuple[float, float]], ways: tuple[bool, ...], sheet: tuple[float, float], spacing: float
) -> list[Placement] | None:
    """None if a part fits on no sheet in these ways, turned or not."""
    sheets: list[list[_Box]] = []
    places = []
    for width, height in sizes:
        for number in itertools.count():
            if number == len(sheets):
                sheets.append([])
            found = _lowest(sheets[number], (width, height), ways, sheet, spacing)
            if found is not None:
                box, turned = found
                sheets[number].append(box)
                places.append(Placement(number, box.x + 0.5 * box.width, box.y + 0.5 * box.height, turned))
                break
            if not sheets[number]:
                return None
    return places


def capacity(size: tuple[float, float], *, sheet: tuple[float, float], spacing: float) -> int:
    """How many parts of one size `nest` puts on a sheet. Errors as nest."""
    most = int((sheet[0] * sheet[1]) // (size[0] * size[1])) + 1
    return sum(place.sheet == 0 for place in nest([size] * most, sheet=sheet, spacing=spacing))


def _lowest(
    placed: Sequence[_Box],
    size: tuple[float, float],
    ways: tuple[bool, ...],
    sheet: tuple[float, float],
    spacing: float,
) -> tuple[_Box, bool] | None:
    left, low, right, high = np.array([(b.x, b.y, b.x + b.width, b.y + b.height) for b in placed]).reshape(-1, 4).T
    xs, ys, gap = np.append(spacing, right + spacing), np.append(spacing, high + spacing), spacing - SLACK
    best: tuple[float, float, bool, _Box] | None = None
    for turned in ways:
        across, up = size[::-1] if turned else size
        x, y = xs[xs + across + spacing <= sheet[0] + SLACK], ys[ys + up + spacing <= sheet[1] + SLACK]
        aside = (x[:, None] + across + gap <= left) | (right + gap <= x[:, None])
        above = (y[:, None] + up + gap <= low) | (high + gap <= y[:, None])
        i, j = np.nonzero((aside[:, None] | above).all(axis=-1))
        if i.size:
            first = np.lexsort((x[i], y[j] + up))[0]
            box = _Box(float(x[i[first]]), float(y[j[first]]), across, up)
            if best is None or (box.y + up, box.x, turned) < best[:3]:
                best = box.y + up, box.x, turned, box
    return None if best is None else (best[3], best[2])


def _too_large(width: float, height: float, sheet: tuple[float, float], spacing: float) -> str:
    return (
        f"[stock] sheet_size_mm = [{sheet[0] / MILLIMETRE:g}, {sheet[1] / MILLIMETRE:g}]: a layer of"
        f" {width / MILLIMETRE:.1f} by {height / MILLIMETRE:.1f} with spacing_mm = {spacing / MILLIMETRE:g} all around"
        " does not fit. Take a larger sheet, or make the flange smaller"
    )
