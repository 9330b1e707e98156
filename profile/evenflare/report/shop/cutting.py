"""What cutting in software found: a map of gouge and leftover, and the words for it."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.manufacture.proof.proof import ProgramProof, Proof
from evenflare.report.kit import canvas, style
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.words import millimetres

MICRO = 1e-3 * MILLIMETRE
"""m, a micrometre, in which a map counts."""
_HIGH = 7.4
"""Inches, of a map of gouge above one of leftover: two rows of them fill a page of the sheet."""
_SHADES = "cividis_r"
"""Light to dark, for colour-blind eyes and grey print alike."""


def lines(proof: Proof) -> list[str]:
    """A sentence on each program."""
    return [told(each) for each in proof.programs]


def told(each: ProgramProof) -> str:
    """What one program did, in a sentence or two."""
    gouge, left, turned = each.gouge, each.leftover, _is_turned(each)
    words = (
        f"{each.program}: {'passed' if each.accepted else 'FAILED'}. Greatest gouge {_micro(gouge.size)} (allowed"
        f" {_micro(each.tolerance)}){_place(gouge.place, turned) if gouge.size > MICRO else ''}; greatest leftover"
        f" {_micro(left.size)}"
    )
    if each.leftover_allowed is None:
        words += ", for the next program to take"
    else:
        words += f" (allowed {_micro(each.leftover_allowed)}){_place(left.place, turned)}"
    most = f"at most {millimetres(each.engagement.size)}"
    words += f". Depth of cut {most}" if turned else f". Of the cutter {most} in material"
    if np.isfinite(each.engagement_stated):
        words += f" (stated: {millimetres(each.engagement_stated)})"
    if not each.engagement_kept:
        words += f", too much{_place(each.engagement.place, turned)}"
    words += f". Raster {millimetres(each.grid)}."
    for contact in each.contacts[:3]:
        words += (
            f" The {contact.what} meets material {millimetres(contact.depth)} deep{_place(contact.place, turned)}, on"
            f" the way to point {contact.row + 1}."
        )
    return words


def shown(proof: Proof) -> ProgramProof:
    """The program whose map says most: the first that failed, else the one that finishes."""
    failed = [each for each in proof.programs if not each.accepted]
    finishing = [each for each in proof.programs if each.leftover_allowed is not None]
    return next(iter([*failed, *finishing, *proof.programs]))


def figure(each: ProgramProof) -> Any:
    """Gouge and leftover along the normal, seen along the axis; of a turned part over the radius."""
    drawn, panels = canvas.stacked(4.6 if _is_turned(each) else _HIGH, ratios=(1, 1))
    style.titled(drawn, f"Cut in software: {each.program}")
    for axes, what in zip(panels, ("gouge", "leftover"), strict=True):
        _panel(axes, each, what)
    return drawn


def _panel(axes: Any, each: ProgramProof, what: str) -> None:
    values: FloatArray = each.map.gouges if what == "gouge" else each.map.leftovers
    if _is_turned(each):
        style.dressed(axes, "", x="radius, mm", y=f"{what}, µm")
        axes.plot(each.map.x / MILLIMETRE, values[:, 0] / MICRO, color=style.BLUE, linewidth=1.2)
        axes.set_ylim(0.0, max(0.1, 1.05 * float(np.nanmax(values, initial=0.0)) / MICRO))
        return
    style.dressed(axes, "", x="x, mm", y="y, mm", grid=False)
    # Stock that is left for another program would drown the ridges; one colour says "more".
    top = max(0.1, float(np.nanmax(values, initial=0.0)) / MICRO)
    limit = each.leftover_allowed if what == "leftover" else each.tolerance
    if limit is not None:
        top = min(top, 2.0 * limit / MICRO)
    drawn = axes.pcolormesh(
        each.map.x / MILLIMETRE,
        each.map.y / MILLIMETRE,
        values.T / MICRO,
        cmap=_SHADES,
        vmin=0.0,
        vmax=top,
        shading="nearest",
        rasterized=True,
    )
    axes.set_aspect("equal")
    bar = axes.figure.colorbar(drawn, ax=axes, pad=0.02, extend="max" if np.nanmax(values) > top * MICRO else "neither")
    bar.set_label(f"{what}, µm", color=style.INK, fontsize=style.TEXT)
    bar.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    bar.outline.set_visible(False)


def _micro(length: float) -> str:
    return f"{length / MICRO:.1f} µm"


def _is_turned(each: ProgramProof) -> bool:
    """Whether the map has a radius only."""
    return bool(each.map.gouges.shape[1] == 1)


def _place(place: tuple[float, float, float], turned: bool) -> str:
    if turned:
        return f" at diameter {2 * place[0] / MILLIMETRE:.2f}, z {place[2] / MILLIMETRE + 0.0:.2f} mm"
    x, y, z = (f"{value / MILLIMETRE + 0.0:.2f}" for value in place)
    return f" at x {x}, y {y}, z {z} mm"
