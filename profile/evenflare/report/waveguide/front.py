"""The trade-offs of a search: the picture of its front, on the page with what binds the winner."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.report.kit import canvas, style
from evenflare.report.kit.sheet import Picture, picture
from evenflare.results import binding as bindings
from evenflare.results import front as fronts
from evenflare.search.binding import Binding
from evenflare.search.front import ParetoFront
from evenflare.words import unit_apart

CAPTION = (
    "Each point is a candidate that keeps the limits; what lies far behind the front is left out. Along the front"
    " nothing is gained in one quantity but by giving up another: take the knee where both count, an end where only"
    " one does."
)
SCALES = 4.0
"""Times the front's own span, of a quantity: candidates farther off are left out of a picture, and counted."""
MARKS = ("o", "s", "D", "^", "v", "P")


@dataclass(frozen=True)
class TradeOffs:
    """A section of the page: what the front says, a sentence each, its picture, and what holds the winner back."""

    lines: Sequence[str]
    picture: Picture
    binding: Sequence[str]


def trade_offs(front: ParetoFront, found: Sequence[Binding]) -> TradeOffs:
    """The section of a run's page."""
    said = fronts.lines(front)
    drawn = picture(figure(front), alt=f"{'. '.join(said)}.", caption=CAPTION)
    return TradeOffs(said, drawn, bindings.lines(found))


def label(name: str) -> str:
    """A quantity on an axis."""
    return unit_apart("score_db" if name == "score" else name)


def figure(front: ParetoFront) -> Any:
    """All candidates faint, those that nothing beats marked, the ends and the knee labelled with their numbers.

    Of more than two quantities a panel for each pair; what nothing beats in all may be beaten in two of them.
    """
    pairs = list(itertools.combinations(range(len(front.quantities)), 2))
    drawn, panels = canvas.stacked(4.0 * len(pairs), ratios=[1.0] * len(pairs), alike=False)
    for axes, pair in zip(np.atleast_1d(panels), pairs, strict=True):
        _panel(axes, front, pair)
    style.titled(drawn, "Trade-offs")
    style.legend(np.atleast_1d(panels)[0])
    return drawn


def _panel(axes: Any, front: ParetoFront, pair: tuple[int, int]) -> None:
    # The second quantity along: with the usual pair the size along and the score up.
    up, along = pair
    style.dressed(axes, "", x=label(front.quantities[along].name), y=label(front.quantities[up].name))
    found = np.array([each.values for each in front.members])
    windows = [_window(found[:, k], front.others[:, k], front.quantities[k].better) for k in (along, up)]
    others = front.others[:, [along, up]]
    inside = np.all([(low <= others[:, i]) & (others[:, i] <= high) for i, (low, high) in enumerate(windows)], axis=0)
    axes.scatter(*others[inside].T, s=7, color=style.QUIET, alpha=0.3, linewidth=0, label="keeps the limits")
    if len(front.quantities) == 2:
        order = np.argsort(found[:, along])
        axes.plot(found[order, along], found[order, up], color=style.BLUE, linewidth=1.0)
    axes.scatter(found[:, along], found[:, up], s=20, color=style.BLUE, zorder=3, label="beaten by none")
    axes.set_xlim(*windows[0])
    axes.set_ylim(*windows[1])
    middle = [float(np.mean(window)) for window in windows]
    for mark, member in zip(itertools.cycle(MARKS), dict.fromkeys(front.marked.values()), strict=False):
        x, y = member.values[along], member.values[up]
        words = ", ".join(_point(each) for each in member.points)
        ring = {"s": 64, "marker": mark, "facecolor": "none", "edgecolor": style.ORANGE, "linewidth": 1.8, "zorder": 4}
        axes.scatter([x], [y], label=f"{member.number}: {words}", **ring)
        left = x > middle[0]
        axes.annotate(
            f"{member.number}",
            (x, y),
            xytext=(-9 if left else 9, -9 if y > middle[1] else 9),
            textcoords="offset points",
            ha="right" if left else "left",
            va="center",
            fontsize=style.TEXT - 1,
            color=style.INK,
            zorder=5,
        )


def _point(name: str) -> str:
    if name == "knee":
        return name
    way, _, quantity = name.partition("_")
    return f"{way} {unit_apart(quantity).partition(', ')[0]}"


def _window(front: Any, others: Any, better: str) -> tuple[float, float]:
    """What of a quantity is drawn: the front and some of what lies behind it."""
    low, high = float(front.min()), float(front.max())
    span = high - low or 0.1 * abs(high) or 1.0
    if better == "lower":
        high = min(float(others.max()), high + (SCALES - 1.0) * span)
    else:
        low = max(float(others.min()), low - (SCALES - 1.0) * span)
    margin = 0.08 * max(high - low, span)
    return low - margin, high + margin
