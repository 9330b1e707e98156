"""Pictures of how a measurement was made: its readings side by side, the turntable, the uncertainty by its parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from evenflare.measurement.assemble import Assembled
from evenflare.measurement.budget import Budget
from evenflare.measurement.checked import Checked
from evenflare.measurement.orbits import plane_name
from evenflare.measurement.turntable import Alignment, Misalignment
from evenflare.report.kit import canvas, style
from evenflare.report.kit.letters import entry
from evenflare.report.measurement import sound_figures
from evenflare.units import DEGREE, MILLIMETRE, MILLISECOND, BoolArray, FloatArray

OFFSETS = (
    ("angle 0 off by,\ndegrees", "angle", DEGREE, 0.1),
    ("axis aside by,\nmm", "lateral", MILLIMETRE, 0.5),
)
"""Of the turntable: in words, as `Pairs` and `Alignment` have it, its unit, and what its axis spans at least."""
MOST_NAMED = 4
"""Readings whose files are named in a panel."""
MOST_PARTS = 6
"""Parts of a budget that are drawn, the largest."""
LEAST_SHARE = 0.1
"""Of the combined uncertainty, anywhere, below which a part is not drawn."""
LEAST_DB = 1e-3
"""dB, where the axis of uncertainties begins at the least."""


PANELS: tuple[tuple[str, Callable[[Checked], float], float, str], ...] = (
    ("signal over\nnoise, dB", lambda each: each.signal_to_noise, 0.0, ""),
    ("level beside its\nneighbours, dB", lambda each: each.level, 1.0, "level"),
    ("late beside its\nneighbours, ms", lambda each: each.late / MILLISECOND, 0.05, "late"),
)
"""Of the readings: what is drawn, how far its axis reaches to either side of 0 at least, 0 for no such axis, and which
fault is named there; every other in the first that is drawn."""


def pictures(found: Assembled) -> dict[str, Any]:
    """Figures by the names of their files, those that the session has something for."""
    drawn: dict[str, Any] = {}
    if found.distortion is not None:
        drawn["distortion.png"] = sound_figures.distortion(found.distortion)
    if found.decay is not None:
        drawn["decay.png"] = sound_figures.decay(found.decay)
    if any(np.isfinite([each.level, each.late, each.signal_to_noise]).any() for each in found.readings):
        drawn["readings.png"] = _readings(found)
    pairs = [each.pairs for each in found.turntable.values() if each.pairs is not None]
    if any(np.isfinite([each.angle, each.lateral]).any() for each in pairs):
        drawn["alignment.png"] = _alignment(found)
    if found.directivity.valid.any():
        drawn["budget.png"] = _budget(found)
    return drawn


def _readings(found: Assembled) -> Any:
    """Of each reading over its angle: what stands above its noise, and how it fits between its neighbours."""
    shown = [row for row in PANELS if any(np.isfinite(row[1](each)) for each in found.readings)]
    drawn, panels = canvas.stacked(1.0 + 1.7 * len(shown), ratios=(1,) * len(shown))
    planes = list(dict.fromkeys(each.azimuth for each in found.readings))
    for axes, (words, value, least, fault) in zip(np.atleast_1d(panels), shown, strict=True):
        first, last = words == shown[0][0], words == shown[-1][0]
        title = "Readings beside their neighbours" if first else ""
        style.dressed(axes, title, x="off-axis angle, degrees" if last else "", y=words)
        for azimuth, mark, (colour, _) in zip(planes, "ox^v", style.LINES, strict=False):
            mine = [each for each in found.readings if each.azimuth == azimuth]
            at, values = [each.off_axis / DEGREE for each in mine], [value(each) for each in mine]
            axes.plot(at, values, mark, color=colour, markersize=4, label=plane_name(azimuth))
        for lacking in found.missing:
            axes.axvline(lacking.off_axis / DEGREE, color=style.QUIET, linewidth=1.2, linestyle=":", label="missing")
        if least:
            reach = 1.25 * max(least, *(abs(value(each)) for each in found.readings if np.isfinite(value(each))))
            axes.set_ylim(-reach, reach)
        own = {each[3] for each in shown} - {""}
        here = [(each, {remark.what for remark in each.remarks}) for each in found.readings if each.remarks]
        wrong = [each for each, what in here if fault in what or (first and not what & own)]
        _name(axes, [each for each in wrong if np.isfinite(value(each))], value)
        if first:
            _once(axes)
    _angles(np.atleast_1d(panels)[-1], [each.off_axis / DEGREE for each in found.readings])
    return drawn


def _name(axes: Any, wrong: Sequence[Checked], value: Any) -> None:
    """Rings around those, and the files of the farthest off."""
    left, right = axes.get_xlim()
    for place, each in enumerate(sorted(wrong, key=lambda each: -abs(value(each)))):
        at = (each.off_axis / DEGREE, value(each))
        axes.plot(*at, "o", color=style.INK, markersize=10, markerfacecolor="none", zorder=4)
        if place < MOST_NAMED:
            end = at[0] > 0.5 * (left + right)
            axes.annotate(
                entry(each.file),
                at,
                xytext=(-8 if end else 8, 6),
                textcoords="offset points",
                ha="right" if end else "left",
                va="center",
                fontsize=style.TEXT - 2,
                color=style.INK,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
                zorder=5,
            )


def _once(axes: Any) -> None:
    """A legend without what is there twice."""
    seen = set()
    for line in axes.get_lines():
        label = line.get_label()
        if label in seen:
            line.set_label("_again")
        seen.add(label)
    style.legend(axes)


def _angles(axes: Any, angle: Sequence[float]) -> None:
    step = 15 if np.ptp(angle) <= 90 else 30 if np.ptp(angle) <= 180 else 60
    axes.set_xticks(np.arange(np.ceil(min(angle) / step) * step, max(angle) + 1e-6, step))


def _alignment(found: Assembled) -> Any:
    """What each mirrored pair says of the turntable by itself, and the fit through all."""
    fitted = {at: each for at, each in found.turntable.items() if each.pairs is not None}
    told = [
        kind
        for kind in OFFSETS
        if any(each.pairs is not None and np.isfinite(getattr(each.pairs, kind[1])).any() for each in fitted.values())
    ]
    drawn, panels = canvas.stacked(0.8 + 1.9 * len(told), ratios=(1,) * len(told))
    panels = list(np.atleast_1d(panels))
    for axes, (words, kind, unit, least) in zip(panels, told, strict=True):
        last = axes is panels[-1]
        title = "Turntable: each mirrored pair, and the fit" if axes is panels[0] else ""
        style.dressed(axes, title, x="off-axis angle of the pair, degrees" if last else "", y=words)
        axes.axhline(0.0, color=style.QUIET, linewidth=0.8)
        values = [
            _one(axes, each, kind, unit, *look) for each, look in zip(fitted.values(), _looks(fitted), strict=True)
        ]
        known = np.concatenate(values)
        known = known[np.isfinite(known)]
        if known.size:
            # One wrong file shall not press the others together.
            low, high = np.quantile(known, [0.05, 0.95])
            low, high = min(low, 0.0), max(high, 0.0)
            room = max(0.35 * (high - low), least)
            axes.set_ylim(low - room, high + room)
    style.legend(panels[0])
    return drawn


def _looks(fitted: Any) -> list[tuple[str, str, Any, str]]:
    looks = zip(fitted, "ox^v", style.LINES, strict=False)
    return [(plane_name(azimuth), mark, dash, colour) for azimuth, mark, (colour, dash) in looks]


def _one(
    axes: Any, each: Alignment, kind: str, unit: float, name: str, mark: str, dash: Any, colour: str
) -> FloatArray:
    """One plane's pairs and its fit; what is to be seen."""
    assert each.pairs is not None
    own = getattr(each.pairs, kind) / unit
    axes.plot(each.pairs.off_axis / DEGREE, own, mark, color=colour, markersize=4, label=f"{name}, a pair")
    estimate: Misalignment | None = getattr(each, kind)
    if estimate is None:
        return np.asarray(own)
    value, error = estimate.value / unit, estimate.error / unit
    done = "corrected" if estimate.significant else "left as it is"
    axes.axhline(value, color=colour, linestyle=dash, linewidth=1.5, label=f"{name}, fit: {done}")
    if np.isfinite(error):
        axes.axhspan(value - error, value + error, color=colour, alpha=0.15, linewidth=0)
    return np.append(own, value)


def _budget(found: Assembled) -> Any:
    """Standard uncertainty of each quantity over frequency, its largest parts apart."""
    seen, valid = found.directivity.observation.frequency, found.directivity.valid
    drawn, panels = canvas.stacked(0.9 + 2.6 * len(found.budgets), ratios=(1,) * len(found.budgets))
    names = {"index": "directivity index, dB", "on_axis_level": "level on axis, dB"}
    for axes, (quantity, budget) in zip(np.atleast_1d(panels), found.budgets.items(), strict=True):
        first = axes is np.atleast_1d(panels)[0]
        last = axes is np.atleast_1d(panels)[-1]
        title = "Standard uncertainty by its parts" if first else ""
        style.dressed(axes, title, x="frequency, Hz" if last else "", y=names[quantity])
        axes.plot(seen, budget.combined, color=style.INK, linewidth=2.2, label="combined")
        for part, (colour, dash) in zip(counting(budget, valid), style.LINES, strict=False):
            axes.plot(seen, _positive(part.size), color=colour, linestyle=dash, linewidth=1.4, label=part.name)
        top = float(np.max(budget.combined[valid]))
        axes.set_yscale("log")
        axes.set_ylim(max(LEAST_DB, 10.0 ** np.floor(np.log10(max(top, LEAST_DB)) - 1.5)), 2.0 * max(top, LEAST_DB))
        style.over_frequency(axes, seen, valid, veil="not valid" if first else "")
        style.legend(axes)
    return drawn


def counting(budget: Budget, valid: BoolArray) -> list[Any]:
    """The parts that are a tenth of the whole at some valid frequency, the largest first."""
    whole = np.maximum(budget.combined[valid], 1e-300)
    share = {part.name: float(np.max(part.size[valid] / whole)) for part in budget.parts}
    parts = sorted(budget.parts, key=lambda part: -share[part.name])
    return [part for part in parts if share[part.name] >= LEAST_SHARE][:MOST_PARTS]


def _positive(values: FloatArray) -> FloatArray:
    return np.where(values > 0.0, values, np.nan)
