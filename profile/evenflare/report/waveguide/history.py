"""The course of a search on axes that it is given."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import style


def scores(axes: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    """Points by family and stage, and the best feasible score so far at each stage."""
    kept = [row for row in rows if row["score"] is not None and np.isfinite(row["score"])]
    if not kept:
        style.nothing(axes, "no candidate has been scored")
        return
    colours = dict(zip(dict.fromkeys(str(row.get("family", "")) for row in kept), itertools.cycle(style.COLOURS)))
    for stage, size, opacity in (("drawn", 4, 0.35), ("estimate", 4, 0.35), ("screen", 6, 1.0), ("full", 28, 1.0)):
        chosen = [row for row in kept if row["stage"] == stage]
        if not chosen:
            continue
        colour = [colours[str(row.get("family", ""))] for row in chosen]
        full = stage == "full"
        axes.scatter(
            [row["number"] for row in chosen],
            [row["score"] for row in chosen],
            s=size,
            alpha=None if full else opacity,
            facecolor="none" if full else colour,
            edgecolor=colour,
            linewidth=1.0 if full else 0.0,
            zorder=3 if full else 2,
        )
    for family, colour_of in colours.items():
        axes.scatter([], [], s=28, color=colour_of, label=family.replace("_", "-") or "candidate")
    if any(row["stage"] == "full" for row in kept):
        axes.scatter([], [], s=28, facecolor="none", edgecolor=style.INK, label="scored at full")
    last = max(row["number"] for row in kept)
    for stage, dash in (("full", "-"), ("screen", "--"), ("drawn", ":"), ("estimate", ":")):
        chosen = sorted(
            (row for row in kept if row["stage"] == stage and row["feasible"]), key=lambda row: int(row["number"])
        )
        if not chosen:
            continue
        best = np.minimum.accumulate([row["score"] for row in chosen])
        axes.plot(
            [*(row["number"] for row in chosen), last],
            [*best, best[-1]],
            drawstyle="steps-post",
            color=style.INK,
            linestyle=dash,
            linewidth=1.5,
            label=f"best, {stage}",
            zorder=4,
        )
    if min(row["score"] for row in kept) > 0:
        axes.set_yscale("log")
        low, high = axes.get_ylim()
        axes.minorticks_off()
        shown = [tick for tick in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if low <= tick <= high]
        axes.set_yticks(shown, [f"{tick:g}" for tick in shown])
        axes.set_ylim(low, high)
    style.legend(axes)
