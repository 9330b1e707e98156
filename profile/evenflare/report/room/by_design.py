"""Pictures with a column for each design: their axes, their legend, the scale of their levels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import canvas, style
from evenflare.report.kit.letters import lettered
from evenflare.studies.seats import DesignInRoom
from evenflare.units import BoolArray, FloatArray

COLUMN = 30
"""Characters of a name that fit above a column."""
DEEPEST = 30.0
"""dB below the greatest that is drawn, within which the level axis of a seat stays."""


def by_design_axes(
    designs: Sequence[DesignInRoom], height: float, ratios: Sequence[float]
) -> tuple[Any, list[list[Any]]]:
    """A figure and its axes by design, then by row, each design's name above its own."""
    drawn, axes = canvas.stacked(height, ratios=ratios, columns=len(designs))
    by_design = np.asarray(axes, dtype=object).reshape(len(ratios), len(designs)).T.tolist()
    if len(designs) > 1:
        for each, column in zip(designs, by_design, strict=True):
            name = each.name if len(each.name) <= COLUMN else f"{each.name[: COLUMN - 3]}..."
            column[0].set_title(lettered(name), fontsize=style.TEXT, color=style.INK, loc="left")
    return drawn, by_design


def finish(
    drawn: Any,
    by_design: list[list[Any]],
    title: str,
    y: Sequence[str],
    frequency: Sequence[FloatArray],
    *,
    counted: Sequence[BoolArray] | None = None,
) -> None:
    """Labels, frequency axes and one legend below all; what does not count, where that is told, lies under a veil."""
    counted = [np.ones(each.size, dtype=np.bool_) for each in frequency] if counted is None else counted
    style.titled(drawn, title)
    for place, (column, f, counts) in enumerate(zip(by_design, frequency, counted, strict=True)):
        for axes, label in zip(column, y, strict=True):
            style.dressed(axes, "", x="frequency, Hz" if axes is column[-1] else "", y=label if place == 0 else "")
            style.over_frequency(axes, f, counts, veil="hardly counts")
    legend_below(drawn, [axes for column in by_design for axes in column])


def legend_below(drawn: Any, every: Sequence[Any]) -> None:
    """One legend below all, each entry once."""
    found: dict[str, Any] = {}
    for axes in every:
        for handle, word in zip(*axes.get_legend_handles_labels(), strict=True):
            found.setdefault(word, handle)
    drawn.legend(
        found.values(),
        found.keys(),
        loc="outside lower left",
        ncols=3,
        frameon=False,
        fontsize=style.TEXT - 1,
        labelcolor=style.INK,
        handlelength=2.6,
    )


def floored(by_design: list[list[Any]], rows: Sequence[int]) -> None:
    """Level axes of those rows that stay within `DEEPEST` of the greatest, all of one row alike."""
    for row in rows:
        ends = [line.get_ydata() for column in by_design for line in column[row].get_lines()]
        high = max(float(np.max(values)) for values in ends)
        low = min(float(np.min(values)) for values in ends)
        for column in by_design:
            column[row].set_ylim(max(low - 2.0, high - DEEPEST), high + 2.0)
