"""Figures to draw on, and as files: their width, resolution and packing."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal
from weakref import WeakKeyDictionary

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from evenflare import files
from evenflare.report.kit import style

WIDTH = 5.6

DOTS_PER_INCH = 180

PAGE_DOTS_PER_INCH = 96

DEVIATIONS = LinearSegmentedColormap.from_list("deviations", style.DEVIATIONS)

_DRAWN: WeakKeyDictionary[Figure, bytes] = WeakKeyDictionary()
"""What was drawn of figures that are still held."""


def save(figure: Figure, path: Path) -> None:
    """Write a figure as PNG, whole or not at all. Errors: InputError if the folder cannot be written."""
    with files.replacing(path) as temporary:
        temporary.write_bytes(png(figure))


def png(figure: Figure) -> bytes:
    """A figure as the bytes of a PNG file, the same for the same figure. Drawn once, however many pages show it: what
    is put on it afterwards is not seen.
    """
    if figure not in _DRAWN:
        _DRAWN[figure] = _png(figure)
    return _DRAWN[figure]


def _png(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    # Packed half as hard, a picture takes half the time and a tenth more space.
    packed = {"compress_level": 3}
    figure.set_dpi(DOTS_PER_INCH)
    # Drawing lays out what it draws; `savefig` would draw everything once before that, for the layout alone.
    FigureCanvasAgg(figure).print_png(buffer, metadata={"Software": None}, pil_kwargs=packed)
    return buffer.getvalue()


def page_size(figure: Figure) -> tuple[int, int]:
    """Width and height in pixels at which a page shows a figure."""
    width, height = figure.get_size_inches()
    return round(width * PAGE_DOTS_PER_INCH), round(height * PAGE_DOTS_PER_INCH)


def stacked(height: float, *, ratios: Sequence[float], columns: int = 1, alike: bool = True) -> tuple[Figure, Any]:
    """An empty figure so high (inches), and its axes one above the other, of those heights to each other.

    columns : side by side; above 1 the axes come as rows of them, and those of a row have one scale.
    alike   : whether all have one scale along.
    """
    figure = Figure(figsize=(WIDTH, height), layout="constrained")
    sharey: Literal["row", False] = "row" if columns > 1 else False
    return figure, figure.subplots(len(ratios), columns, sharex=alike, sharey=sharey, height_ratios=ratios)


def lay_out(figure: Figure) -> None:
    """Put axes where they will be drawn, and give words their sizes; quicker by half than to draw everything for it."""
    engine = figure.get_layout_engine()
    assert engine is not None  # figures of this module have one
    engine.execute(figure)
    for axes in figure.axes:
        axes.apply_aspect()


def words_box(text: Text) -> Bbox:
    """Where words lie once all is laid out, pixels; of an annotation without its line."""
    return Text.get_window_extent(text)


def grid(rows: int, columns: int, *, height: float) -> tuple[Figure, Any]:
    """An empty figure so high (inches), and its axes (rows, columns), each with a scale of its own."""
    figure = Figure(figsize=(WIDTH, height), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False)
