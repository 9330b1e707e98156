"""How every picture looks: colours, text sizes, axes, legends.

Works on the axes that it is given, so that only `figures` imports the plotting library; hence their loose types.
Colours stay apart for colour-blind eyes and in grey print, and every line also has its own dash.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.units import BoolArray, FloatArray
from evenflare.words import KILO

INK, QUIET, FAINT = "#1d2b36", "#5d6b76", "#dfe4e8"
BLUE, ORANGE, GREEN, PLUM, SKY, OLIVE = "#1b5e8c", "#c86414", "#2f8a70", "#7b3f78", "#6aaed6", "#8a8328"
COLOURS = (BLUE, ORANGE, GREEN, PLUM, SKY, OLIVE)
Dash = str | tuple[int, tuple[float, ...]]
"""A dash pattern, by its name or as offset and lengths in points."""

LINES: tuple[tuple[str, Dash], ...] = (
    (BLUE, "-"),
    (ORANGE, "--"),
    (GREEN, "-."),
    (PLUM, ":"),
    (SKY, (0, (6, 1.5))),
    (OLIVE, (0, (3, 1, 1, 1, 1, 1))),
)
PLANES: dict[str, tuple[str, Dash]] = {"": (INK, "-"), "horizontal": (BLUE, "-"), "vertical": (ORANGE, (0, (5, 1.5)))}
"""Colour and dash of a wall, by the plane that cuts it; a round one is the same in each."""
LEVELS = ("#16202c", "#1f3f5b", "#2f6f86", "#6fa196", "#c3c08f", "#f0dcae", "#fffaf0")
"""From the lowest level to HIGHEST. Lightness rises all the way, so that a map reads the same in grey."""
HIGHEST = 3.0
"""dB re on-axis, where the colours of levels end."""
DEVIATIONS = ("#123f63", "#3f86b5", "#a9cfe3", "#f6f4ef", "#f2c19a", "#d0762c", "#7d3606")
"""Of a wall that lies nearer to the axis than drawn, to one that lies further from it; the middle is as drawn."""
INSIDE, OUTSIDE = "#9fc3d9", "#b9bfc4"
"""Of a wall: the side that the sound runs along, and the back."""
TEXT = 10
FEW = 3
TICKS = (20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 1e4, 2e4, 5e4)
"""Hz."""


def titled(figure: Any, title: str) -> None:
    """A title at the top left, above a legend if there is one."""
    figure.suptitle(title, x=0.01, ha="left", fontsize=TEXT + 1, color=INK, weight="bold")


def dressed(axes: Any, title: str, *, x: str, y: str, grid: bool = True) -> Any:
    """Axes with labels that carry their unit, under a title at the top left of their figure."""
    if title:
        titled(axes.figure, title)
    axes.set_xlabel(x, color=INK, fontsize=TEXT)
    axes.set_ylabel(y, color=INK, fontsize=TEXT)
    # Neither marks of no length nor lines along the axes' own edges take room: so none is looked at for it, or drawn.
    axes.tick_params(labelsize=TEXT - 1, colors=QUIET, length=0, which="both", left=False, bottom=False)
    axes.spines[:].set_in_layout(False)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color("#b4bdc4")
    axes.set_axisbelow(True)
    if grid:
        axes.grid(color=FAINT, linewidth=0.8)
    return axes


def over_frequency(axes: Any, frequency: FloatArray, valid: BoolArray, *, veil: str = "not valid") -> None:
    """A logarithmic frequency axis in round numbers; frequencies that are not valid lie under a grey veil.

    To be called when all lines are drawn: those over very few frequencies get markers.
    """
    marked(axes, frequency)
    axes.set_xscale("log")
    # A single frequency still needs an axis of some width.
    low, high = (frequency[0], frequency[-1]) if frequency.size > 1 else (0.8 * frequency[0], 1.25 * frequency[0])
    axes.minorticks_off()
    shown = [tick for tick in TICKS if 0.999 * low <= tick <= 1.001 * high]
    axes.set_xticks(shown, [thousands(tick) for tick in shown])
    axes.set_xlim(low, high)
    middles = np.sqrt(frequency[1:] * frequency[:-1])
    edges = np.concatenate([[low], middles, [high]])
    for start, end, good in zip(edges[:-1], edges[1:], valid, strict=True):
        if not good:
            axes.axvspan(
                start,
                end,
                facecolor="#8b959d",
                edgecolor="#ffffff",
                alpha=0.45,
                hatch="////",
                linewidth=0,
                zorder=2.5,
                label=veil,
            )
            veil = ""


def marked(axes: Any, frequency: FloatArray) -> None:
    """Markers on lines over so few frequencies that they would hardly show, if at all."""
    if frequency.size < FEW:
        for line in axes.get_lines():
            if np.array_equal(line.get_xdata(), frequency):
                line.set_marker("o")


def legend(axes: Any, *, also: Any = None) -> None:
    """A legend above the drawing, where it hides nothing."""
    handles, words = axes.get_legend_handles_labels()
    if also is not None:
        more = also.get_legend_handles_labels()
        handles, words = handles + more[0], words + more[1]
    if len(words) < 2:
        return
    columns = 2 if len(words) <= 4 or max(map(len, words)) > 20 else 3
    axes.legend(
        handles,
        words,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=columns,
        frameon=False,
        fontsize=TEXT - 1,
        labelcolor=INK,
        handlelength=2.6,
        columnspacing=1.4,
        borderpad=0.2,
        borderaxespad=0.1,
    )


def nothing(axes: Any, why: str) -> None:
    """Say why the axes show nothing, in their place."""
    axes.set_axis_off()
    axes.text(0.5, 0.5, why, transform=axes.transAxes, ha="center", va="center", color=QUIET, fontsize=TEXT)


def ceiling(axes: Any, step: float) -> float:
    """The next multiple of `step` above all that is drawn."""
    return float(step * np.ceil(axes.dataLim.y1 / step + 0.05)) if np.isfinite(axes.dataLim.y1) else step


def shade(share: float) -> str:
    """A colour between a light and the darkest blue as `share` goes from 0 to 1."""
    ends = [np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) for colour in (SKY, INK)]
    return "#" + "".join(f"{int(level):02x}" for level in np.round(ends[0] + share * (ends[1] - ends[0])))


def thousands(frequency: float) -> str:
    """A frequency in Hz in few characters: 500, 1.25k, 10k."""
    return f"{frequency / 1e3:.3g}k" if frequency >= KILO else f"{frequency:.3g}"
