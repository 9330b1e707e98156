"""The waveguide itself on axes that it is given: wall, mounting, dimension lines and notes, to scale in mm."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report import style
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Waveguide, measures
from evenflare.waveguide.walls import Arc

SMOOTH = 0.05
"""Degrees below which a joint counts as none."""

# Sizes on paper, inches, the same for every shape.
_FRAME = 0.65
"""Beside the axes, for their labels."""
_LEFT, _RIGHT, _BELOW = 0.7, 2.45, 0.62
"""Around the wall, for dimension lines and notes."""
_TALLEST = 6.3
"""The whole picture."""
_NOTE = 0.42
"""From one note to the next, of two lines each."""
_LETTER = 0.075
"""Mean width of one."""


def profile(axes: Any, waveguide: Waveguide, *, width: float) -> None:
    """The meridian mirrored about the axis, with the sizes that a maker checks first.

    Sets the height of the axes' figure, which is `width` inches wide, so that the drawing is to scale in it.
    """
    meridian = waveguide.meridian
    wall = meridian.dense
    z, r = wall.z / MILLIMETRE, wall.r / MILLIMETRE
    depth, mouth, throat = z[-1], r[-1], r[0]
    notes = _notes(waveguide)
    # mm on an inch of paper: what fits both ways.
    inch = max(np.ptp(z) / (width - _FRAME - _LEFT - _RIGHT), 2 * r.max() / (_TALLEST - _FRAME - 2 * _BELOW))
    lowest_note, highest_note = 0.15, max(0.93 * mouth / inch, 0.15 + _NOTE * (len(notes) - 1))
    half = max(r.max() / inch + _BELOW, highest_note + 0.3)
    low = z.min() - _LEFT * inch
    axes.figure.set_size_inches(width, _FRAME + 2 * half)
    axes.set_aspect("equal")
    axes.set_xlim(low, low + (width - _FRAME) * inch)
    axes.set_ylim(-half * inch, half * inch)
    axes.fill_between(z, -r, r, color="#e8f0f5", linewidth=0)
    for side in (1, -1):
        axes.plot(z, side * r, color=style.INK, linewidth=2.2, solid_capstyle="round")
        _mounting(axes, waveguide, side=side, reach=half * inch)
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8, linestyle=(0, (10, 3, 2, 3)))
    _dimensions(axes, depth=depth, mouth=mouth, throat=throat, inch=inch)
    for (at, words), height in zip(notes, np.linspace(lowest_note, highest_note, len(notes)), strict=True):
        axes.plot(*at, marker="o", markersize=4, color=style.ORANGE, zorder=5)
        axes.annotate(
            words,
            at,
            (z.max() + 0.5 * inch, height * inch),
            va="center",
            fontsize=style.TEXT - 1,
            color=style.INK,
            arrowprops={"arrowstyle": "-", "color": style.ORANGE, "linewidth": 0.7, "shrinkB": 0, "relpos": (0, 0.5)},
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"},
        )


def roundover(waveguide: Waveguide) -> Arc | None:
    """The arc that turns the wall to the mouth's plane, if there is one."""
    pieces = waveguide.meridian.pieces
    return pieces[-1] if len(pieces) > 1 and isinstance(pieces[-1], Arc) else None


def throat_corner(waveguide: Waveguide) -> float:
    """Rad between the driver's exit and the wall where they meet."""
    return float(abs(waveguide.meridian.ends.angle[0] - waveguide.driver.exit_half_angle))


def hollow(waveguide: Waveguide) -> str:
    """What has the smallest hollow radius, and where."""
    found, wall = measures(waveguide), waveguide.meridian.dense
    radius = found.smallest_concave_radius
    at = " at the throat" if found.concave_at == wall.z[0] else f", z = {found.concave_at / MILLIMETRE:.1f} mm"
    if radius == 0.0:
        return f"an inward corner{at}"
    here = wall.z == found.concave_at
    around = wall.r[here] / np.maximum(np.cos(wall.angle[here]), 1e-9)
    # The circumference is hollow everywhere; the meridian is named only where it is the narrower of the two.
    return f"{'round the axis' if np.isclose(around, radius).any() else 'along the wall'}{at}"


def _notes(waveguide: Waveguide) -> list[tuple[tuple[float, float], str]]:
    """Places on the wall (z, r), mm, from throat to rim, and what to say of them."""
    found, wall = measures(waveguide), waveguide.meridian.dense
    z, r = wall.z / MILLIMETRE, wall.r / MILLIMETRE
    corner = throat_corner(waveguide) / DEGREE
    words = f"wall at throat {wall.angle[0] / DEGREE:.1f}°"
    if corner >= SMOOTH:
        words += f", a corner\nof {corner:.1f}° with the exit"
    worst = int(np.abs(wall.z - found.concave_at).argmin())
    radius = found.smallest_concave_radius / MILLIMETRE
    notes = [
        ((z[0], r[0]), words),
        ((z[worst], r[worst]), f"smallest hollow radius {radius:.1f},\n{hollow(waveguide)}"),
    ]
    arc = roundover(waveguide)
    if arc is not None:
        middle = arc.at(np.array([0.5]))
        notes.append(
            ((middle.z[0] / MILLIMETRE, middle.r[0] / MILLIMETRE), f"roundover R {arc.radius / MILLIMETRE:.1f}")
        )
    notes.append(((z[-1], r[-1]), f"wall at rim {wall.angle[-1] / DEGREE:.1f}°"))
    return sorted(notes, key=lambda note: note[0][1])


def _mounting(axes: Any, waveguide: Waveguide, *, side: int, reach: float) -> None:
    depth, mouth = waveguide.meridian.depth / MILLIMETRE, waveguide.meridian.mouth_radius / MILLIMETRE
    if waveguide.mounting.radius is None:
        axes.plot([depth, depth], [side * mouth, side * reach], color=style.INK, linewidth=1.0)
        return
    radius = waveguide.mounting.radius / MILLIMETRE
    centre = depth - np.sqrt(radius**2 - mouth**2)
    around = np.linspace(np.arcsin(mouth / radius), np.pi, 200)
    axes.plot(centre + radius * np.cos(around), side * radius * np.sin(around), color=style.INK, linewidth=1.0)


def _dimensions(axes: Any, *, depth: float, mouth: float, throat: float, inch: float) -> None:
    """Depth, throat and mouth; a label stands on its line where that is long enough, else clear of it."""
    line = {"color": style.QUIET, "linewidth": 0.6}
    below, left, right = -mouth - 0.32 * inch, -0.27 * inch, depth + 0.27 * inch
    for end, level in ((0, -throat), (depth, -mouth)):
        axes.plot([end, end], [level - 0.05 * inch, below - 0.08 * inch], **line)
    for end, level, reach in ((0, throat, left - 0.08 * inch), (depth, mouth, right + 0.08 * inch)):
        for side in (1, -1):
            axes.plot([end, reach], [side * level] * 2, **line)
    for start, stop in (
        ((0, below), (depth, below)),
        ((left, -throat), (left, throat)),
        ((right, -mouth), (right, mouth)),
    ):
        arrow = {"arrowstyle": "<->", "color": style.QUIET, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
        axes.annotate("", stop, start, arrowprops=arrow)
    words = f"depth {depth:.1f}"
    on_line = depth > (_LETTER * len(words) + 0.35) * inch
    _label(axes, words, 0.5 * depth, below - (0 if on_line else 0.2) * inch)
    _label(axes, f"throat Ø {2 * throat:.1f}", left - 0.2 * inch, 0.0, upright=True)
    words = f"mouth Ø {2 * mouth:.1f}"
    length = _LETTER * len(words) * inch
    # Below the axis, clear of the notes and their lines.
    _label(axes, words, right, -0.5 * mouth if mouth > length + 0.2 * inch else -mouth - 0.6 * length, upright=True)


def _label(axes: Any, words: str, z: float, r: float, *, upright: bool = False) -> None:
    axes.text(
        z,
        r,
        words,
        ha="center",
        va="center",
        rotation=90 if upright else 0,
        fontsize=style.TEXT - 1,
        color=style.INK,
        bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"},
    )
