"""Pictures of a wall's tolerance: its band along the profile, what a bump does where, kinds of error, units."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report.kit import canvas, style
from evenflare.results.tolerance import Toleranced
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.wall_places import wall_places

DRAWN = 0.04
"""Of the mouth's radius, how wide the widest zone is drawn."""
KINDS = 6
APART = 0.015
"""Of the picture's width, between words side by side."""


def figures(done: Toleranced, waveguide: Waveguide) -> dict[str, Any]:
    """Figures by the names of their files."""
    drawn = {"tolerance_band.png": _band(done, waveguide), "tolerance_kinds.png": _kinds(done)}
    return drawn if done.spread is None else {**drawn, "tolerance_units.png": _units(done)}


def _band(done: Toleranced, waveguide: Waveguide) -> Any:
    figure, (above, below) = canvas.stacked(7.4, ratios=(1.25, 1), alike=False)
    places = wall_places(waveguide)
    zones = done.band.zones
    widest = max(zone.plus for zone in zones)
    times = _round(DRAWN * float(places.radius[-1]) / widest)
    style.dressed(above, f"Band of the wall, {times:g} times as wide as it is", x="depth, mm", y="radius, mm")
    place, z, r = _thinned(places.share), places.z, places.radius
    z, r = z[place], r[place]
    slope = np.arctan2(np.gradient(r), np.gradient(z))
    k = np.clip(np.searchsorted([zone.to_z for zone in zones], z, side="right"), 0, len(zones) - 1)
    plus, minus = (np.array([getattr(zones[i], side) for i in k]) * times for side in ("plus", "minus"))
    shown = list[tuple[float, float, str]]()
    for i, zone in enumerate(zones):
        mine = np.flatnonzero(k == i)
        if not mine.size:
            continue
        out = z[mine] - plus[mine] * np.sin(slope[mine]), r[mine] + plus[mine] * np.cos(slope[mine])
        inner = z[mine] + minus[mine] * np.sin(slope[mine]), r[mine] - minus[mine] * np.cos(slope[mine])
        edge = [np.concatenate([a, b[::-1]]) / MILLIMETRE for a, b in zip(out, inner, strict=True)]
        above.fill(*edge, color=style.INSIDE if i % 2 else style.SKY, linewidth=0.0)
        middle = mine[mine.size // 2]
        shown.append((z[middle], r[middle] + plus[middle], f"±{zone.plus / MILLIMETRE:.3g} mm"))
        if i:
            at = zone.from_z / MILLIMETRE
            above.plot([at, at], [0.0, r[-1] / MILLIMETRE], color=style.QUIET, linewidth=0.7, linestyle=":")
    above.plot(z / MILLIMETRE, r / MILLIMETRE, color=style.INK, linewidth=1.4)
    above.set_aspect("equal", adjustable="datalim")
    _heat(done, below, figure)
    _labelled(figure, above, shown)
    return figure


def _labelled(figure: Any, axes: Any, shown: list[tuple[float, float, str]]) -> None:
    """Words for places (x, y, m) in rows above all that is drawn, each with a line to its place.

    Beside its place a word would lie on the wall where that is steep, and on the next one where zones are narrow.
    """
    texts = [
        axes.annotate(
            words,
            (x / MILLIMETRE, y / MILLIMETRE),
            xytext=(0.5, 0.5),
            textcoords="axes fraction",
            ha="center",
            va="top",
            fontsize=style.TEXT - 1,
            color=style.INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            arrowprops={"arrowstyle": "-", "color": style.QUIET, "linewidth": 0.7, "shrinkA": 0.0, "shrinkB": 0.0},
        )
        for x, y, words in shown
    ]
    canvas.lay_out(figure)
    sizes = [canvas.words_box(text) for text in texts]
    frame = axes.get_window_extent()
    wide = np.array([size.width for size in sizes]) / frame.width + APART
    row = 1.5 * max(size.height for size in sizes) / frame.height
    rows = int(np.ceil(wide.sum() / (1.0 - APART)))
    low, high = axes.dataLim.intervaly
    axes.update_datalim([(axes.dataLim.x0, low + (high - low) / (1.0 - row * (rows + 1.0)))])
    axes.autoscale_view()
    canvas.lay_out(figure)
    place = axes.transData + axes.transAxes.inverted()
    for first in range(rows):
        mine = list(range(first, len(texts), rows))
        wanted = [float(place.transform(texts[i].xy)[0]) for i in mine]
        for i, x in zip(mine, _spread(wanted, wide[mine]), strict=True):
            texts[i].set_position((x, 1.0 - row * (first + 0.5)))
            texts[i].set_zorder(4.0 + first)  # lines of higher rows pass behind


def _spread(wanted: list[float], wide: FloatArray) -> FloatArray:
    """Middles, within 0 to 1, of things so wide side by side, in the order of where they are wanted and near that."""
    before = np.concatenate([[0.0], np.cumsum(wide)[:-1]])
    # With what lies before taken away they need only rise; the mean of the rises from either side is near both.
    rest = np.array(wanted) - before - 0.5 * wide
    risen = 0.5 * (np.maximum.accumulate(rest) + np.minimum.accumulate(rest[::-1])[::-1])
    return np.asarray(np.clip(risen, 0.0, max(0.0, 1.0 - wide.sum())) + before + 0.5 * wide)


def _heat(done: Toleranced, axes: Any, figure: Any) -> None:
    found = done.found
    style.dressed(axes, "", x="place along the wall, share of its arc", y="frequency, Hz", grid=False)
    most = np.abs(found.index).max(axis=1).T * MILLIMETRE
    map_ = axes.pcolormesh(
        _edges(found.share), _edges(np.log10(found.frequency)), most, cmap="magma_r", vmin=0.0, rasterized=True
    )
    ticks = [tick for tick in style.TICKS if found.frequency[0] <= tick <= found.frequency[-1]]
    axes.set_yticks(np.log10(ticks), [style.thousands(tick) for tick in ticks])
    bar = figure.colorbar(map_, ax=axes, pad=0.02)
    bar.set_label("index, dB per mm of a bump", fontsize=style.TEXT - 1, color=style.INK)
    bar.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET, length=0)
    bar.outline.set_visible(False)


def _edges(middles: FloatArray) -> FloatArray:
    if middles.size == 1:
        return np.array([middles[0] - 0.05, middles[0] + 0.05])
    between = 0.5 * (middles[1:] + middles[:-1])
    return np.concatenate([[2 * middles[0] - between[0]], between, [2 * middles[-1] - between[-1]]])


def _thinned(share: FloatArray) -> Any:
    """Indices without places that repeat, as they do where pieces join."""
    return np.flatnonzero(np.concatenate([[True], np.diff(share) > 1e-9]))


def _round(times: float) -> float:
    """Down to 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10(times))
    return float(max(each for each in (1.0, 2.0, 5.0) if each * power <= times * (1 + 1e-9)) * power)


def _kinds(done: Toleranced) -> Any:
    figure, axes = canvas.stacked(3.6, ratios=(1,))
    style.dressed(axes, "What a millimetre of each error costs", x="frequency, Hz", y="index, dB per mm")
    frequency = done.found.frequency
    for cost, (colour, dash) in zip(done.costs[:KINDS], style.LINES, strict=False):
        values = np.maximum(np.abs(cost.index) * MILLIMETRE, 1e-4)
        axes.plot(frequency, values, color=colour, linestyle=dash, linewidth=1.7, label=cost.kind.replace("_", " "))
    axes.set_yscale("log")
    axes.set_ylim(bottom=1e-2)
    style.over_frequency(axes, frequency, np.ones(frequency.size, dtype=bool))
    style.legend(axes)
    return figure


def _units(done: Toleranced) -> Any:
    spread = done.spread
    assert spread is not None  # asked for where units were drawn
    figure, axes = canvas.stacked(3.8, ratios=(1,))
    title = f"{spread.count} units of {done.process}: change of the index"
    style.dressed(axes, title, x="frequency, Hz", y="dB")
    frequency = spread.frequency
    low, high = np.quantile(spread.heard, (0.05, 0.95), axis=0)
    axes.fill_between(frequency, low, high, color=style.OUTSIDE, alpha=0.6, linewidth=0.0, label="nine of ten units")
    axes.plot(frequency, spread.mean, color=style.BLUE, linewidth=1.6, label="mean")
    for sign in (1.0, -1.0):
        by_slopes = spread.linear.mean(axis=0) + sign * 1.645 * spread.linear_spread
        words = "nine of ten by slopes" if sign > 0 else None
        axes.plot(frequency, by_slopes, color=style.ORANGE, linestyle="--", linewidth=1.2, label=words)
        words = f"±{spread.within:g} dB" if sign > 0 else None
        axes.axhline(sign * spread.within, color=style.INK, linestyle=":", linewidth=1.2, label=words)
    style.over_frequency(axes, frequency, np.ones(frequency.size, dtype=bool))
    style.legend(axes)
    return figure
