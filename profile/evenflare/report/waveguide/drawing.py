"""The waveguide itself on axes that it is given: wall, mounting, dimension lines and notes, to scale in mm."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report.kit import style
from evenflare.report.kit.wall import radius_at, section
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Frame, Meridian, Place, Waveguide, measures
from evenflare.waveguide.body import dense
from evenflare.waveguide.walls import Arc

SMOOTH = 0.05
"""Degrees below which a joint counts as none."""
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Of the depth, at which sections are shown."""

# Sizes on paper, inches, the same for every shape.
_FRAME = 0.65
"""Beside the axes, for their labels."""
_LEFT, _RIGHT, _BELOW = 0.7, 2.45, 0.62
"""Around the wall, for dimension lines and notes."""
_APART = 0.33
"""From one dimension line to the next."""
_TALLEST = 6.3
"""The whole picture."""
_NOTE = 0.42
"""From one note to the next, of two lines each."""
_LETTER = 0.075
"""Mean width of one."""

Note = tuple[tuple[float, float], str]
"""A place of the drawing (z, r), mm, and what to say of it."""


def meridians(waveguide: Waveguide) -> dict[str, Meridian]:
    """The walls that a drawing shows, by the plane that cuts them: one of no name where all are alike."""
    if waveguide.is_round:
        return {"": waveguide.meridian}
    return {"horizontal": waveguide.surface.horizontal, "vertical": waveguide.surface.vertical}


def profile(axes: Any, waveguide: Waveguide, *, width: float) -> None:
    """The meridians mirrored about the axis, with the sizes that a maker checks first.

    Sets the height of the axes' figure, which is `width` inches wide, so that the drawing is to scale in it.
    """
    walls = meridians(waveguide)
    shown = [*(wall.dense for wall in walls.values()), *_body(waveguide)]
    z = np.concatenate([each.z for each in shown]) / MILLIMETRE
    widest = max(float(each.r.max()) for each in shown) / MILLIMETRE
    mouths = {plane: wall.mouth_radius / MILLIMETRE for plane, wall in walls.items()}
    depth, mouth, throat = (
        waveguide.depth / MILLIMETRE,
        max(mouths.values()),
        next(iter(walls.values())).throat_radius / MILLIMETRE,
    )
    notes = _notes(waveguide)
    right = _RIGHT + _APART * (len(walls) - 1)
    # mm on an inch of paper: what fits both ways.
    inch = max(np.ptp(z) / (width - _FRAME - _LEFT - right), 2 * widest / (_TALLEST - _FRAME - 2 * _BELOW))
    lowest_note, highest_note = 0.15, max(0.93 * mouth / inch, 0.15 + _NOTE * (len(notes) - 1))
    half = max(widest / inch + _BELOW, highest_note + 0.3)
    if waveguide.mounting.body is not None:  # a mouth that is small in the drawing has its label below it
        half = max(half, mouth / inch + 1.2 * _LETTER * len("mouth Ø 000.0"))
    low = z.min() - _LEFT * inch
    axes.figure.set_size_inches(width, _FRAME + 2 * half)
    axes.set_aspect("equal")
    axes.set_xlim(low, low + (width - _FRAME) * inch)
    axes.set_ylim(-half * inch, half * inch)
    for plane, wall in walls.items():
        _wall(axes, wall, plane)
    for side in (1, -1):
        _mounting(axes, waveguide, mouth=mouth, side=side, reach=half * inch)
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8, linestyle=(0, (10, 3, 2, 3)))
    _dimensions(axes, depth=depth, mouths=mouths, throat=throat, inch=inch)
    # On two walls a note's colour must not be that of either.
    colour = style.ORANGE if waveguide.is_round else style.QUIET
    for (at, words), height in zip(notes, np.linspace(lowest_note, highest_note, len(notes)), strict=True):
        axes.plot(*at, marker="o", markersize=4, color=colour, zorder=5)
        axes.annotate(
            words,
            at,
            (z.max() + (0.5 + _APART * (len(walls) - 1)) * inch, height * inch),
            va="center",
            fontsize=style.TEXT - 1,
            color=style.INK,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.7, "shrinkB": 0, "relpos": (0, 0.5)},
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none"},
        )


def _wall(axes: Any, wall: Meridian, plane: str) -> None:
    z, r = wall.dense.z / MILLIMETRE, wall.dense.r / MILLIMETRE
    colour, dash = style.PLANES[plane]
    axes.fill_between(z, -r, r, color="#e8f0f5", linewidth=0, zorder=0.9)
    for side in (1, -1):
        label = f"{plane} plane" if plane and side == 1 else None
        axes.plot(z, side * r, color=colour, linestyle=dash, linewidth=2.2, solid_capstyle="round", label=label)


def front(axes: Any, waveguide: Waveguide) -> None:
    """Sections at several depths of an oblong waveguide as seen from in front, throat and mouth among them."""
    surface = waveguide.surface
    for share in SHARES:
        z = share * waveguide.depth
        x, y = section(surface, z).T / MILLIMETRE
        name = {0.0: "throat", 1.0: "mouth"}.get(share, f"z = {z / MILLIMETRE:.1f}")
        size = f"{np.ptp(x):.1f} × {np.ptp(y):.1f}"
        axes.plot(
            x,
            y,
            # Darker and thicker toward the mouth.
            color=style.shade(share),
            linewidth=1.0 + 1.2 * share,
            label=f"{name}: {size}",
        )
    for across in (axes.axhline, axes.axvline):
        across(0.0, color=style.QUIET, linewidth=0.8, linestyle=(0, (10, 3, 2, 3)), zorder=0.5)
    axes.set_aspect("equal")


def roundover(wall: Meridian) -> Arc | None:
    """The arc that turns the wall to the mouth's plane, if there is one."""
    pieces = wall.pieces
    return pieces[-1] if len(pieces) > 1 and isinstance(pieces[-1], Arc) else None


def throat_corner(waveguide: Waveguide) -> float:
    """Rad between the driver's exit and the wall where they meet; the larger of both planes."""
    angles = measures(waveguide).throat_angles
    return max(abs(angle - waveguide.driver.exit_half_angle) for angle in angles)


def concave(waveguide: Waveguide) -> str:
    """What has the smallest concave radius, and where."""
    found = measures(waveguide)
    radius, where = found.smallest_concave_radius, found.places["smallest_concave_radius_mm"]
    # A round throat is alike all around.
    at = place(Place(0.0) if where.z == 0.0 else where)
    if radius == 0.0:
        return f"an inward corner{at}"
    if not waveguide.is_round:
        return at.removeprefix(",").strip()
    wall = waveguide.meridian.dense
    here = wall.z == found.concave_at
    around = wall.r[here] / np.maximum(np.cos(wall.angle[here]), 1e-9)
    # The circumference is concave everywhere; the meridian is named only where it is the narrower of the two.
    return f"{'round the axis' if np.isclose(around, radius).any() else 'along the wall'}{at}"


def place(where: Place) -> str:
    """A place on the wall, to follow what is there."""
    at = " at the throat" if where.z == 0.0 else f", z = {where.z / MILLIMETRE:.1f} mm"
    return at if where.azimuth is None else f"{at}, azimuth {where.azimuth / DEGREE:.0f}°"


def _notes(waveguide: Waveguide) -> list[Note]:
    """Places on the wall from throat to rim, and what to say of them."""
    found, walls = measures(waveguide), meridians(waveguide)
    corner = throat_corner(waveguide) / DEGREE
    angles = [f"{angle / DEGREE:.1f}°" for angle in found.throat_angles]
    words = f"wall at throat {' and '.join(dict.fromkeys(angles))}"
    if corner >= SMOOTH and waveguide.is_round:
        words += f", a corner\nof {corner:.1f}° with the exit"
    elif corner >= SMOOTH:
        words += f",\na corner of {corner:.1f}° with the exit"
    throat, worst = 0.5 * found.throat_diameter, found.places["smallest_concave_radius_mm"]
    first = next(iter(walls.values()))
    notes = [
        ((float(first.ends.z[0]), throat), words),
        (
            (worst.z, _radius(waveguide, worst)),
            f"smallest concave radius {found.smallest_concave_radius / MILLIMETRE:.1f},\n{concave(waveguide)}",
        ),
    ]
    for plane, wall in walls.items():
        arc, rim = roundover(wall), f"{plane}: wall at rim" if plane else "wall at rim"
        rim = f"{rim} {wall.ends.angle[1] / DEGREE:.1f}°"
        if arc is not None and plane:
            rim += f",\nroundover R {arc.radius / MILLIMETRE:.1f}"
        elif arc is not None:
            middle = arc.frame_at(np.array([0.5]))
            notes.append(((middle.z[0], middle.r[0]), f"roundover R {arc.radius / MILLIMETRE:.1f}"))
        notes.append(((float(wall.ends.z[1]), wall.mouth_radius), rim))
    scaled = [((float(z) / MILLIMETRE, float(r) / MILLIMETRE), said) for (z, r), said in notes]
    return sorted(scaled, key=lambda note: note[0][1])


def _radius(waveguide: Waveguide, where: Place) -> float:
    """m, from the axis to a place on the wall."""
    if where.azimuth is not None:
        return radius_at(waveguide.surface, where.z, where.azimuth)
    wall = waveguide.meridian.dense
    return float(wall.r[int(np.abs(wall.z - where.z).argmin())])


def _body(waveguide: Waveguide) -> list[Frame]:
    """A free-standing body's outline in each plane that is shown; none where there is no body."""
    if (body := waveguide.mounting.body) is None:
        return []
    walls = meridians(waveguide).values()
    return [dense(body.pieces((float(wall.ends.z[1]), wall.mouth_radius), wall.depth)) for wall in walls]


def _mounting(axes: Any, waveguide: Waveguide, *, mouth: float, side: int, reach: float) -> None:
    depth = waveguide.depth / MILLIMETRE
    if waveguide.mounting.body is not None:
        for body in _body(waveguide):
            axes.plot(body.z / MILLIMETRE, side * body.r / MILLIMETRE, color=style.INK, linewidth=1.0)
        return
    if waveguide.mounting.cabinet is not None:
        if side > 0:
            around = waveguide.mounting.cabinet.section / MILLIMETRE
            outline = np.array([(0.0, mouth), *around, (0.0, -mouth)])
            axes.plot(depth + outline[:, 0], outline[:, 1], color=style.INK, linewidth=1.0)
        return
    if waveguide.mounting.radius is None:
        axes.plot([depth, depth], [side * mouth, side * reach], color=style.INK, linewidth=1.0)
        return
    radius = waveguide.mounting.radius / MILLIMETRE
    centre = depth - np.sqrt(radius**2 - mouth**2)
    around = np.linspace(np.arcsin(mouth / radius), np.pi, 200)
    axes.plot(centre + radius * np.cos(around), side * radius * np.sin(around), color=style.INK, linewidth=1.0)


def _dimensions(axes: Any, *, depth: float, mouths: dict[str, float], throat: float, inch: float) -> None:
    """Depth, throat and mouth; a label stands on its line where that is long enough, else clear of it."""
    line = {"color": style.QUIET, "linewidth": 0.6}
    mouth = max(mouths.values())
    below, left = -mouth - 0.32 * inch, -0.27 * inch
    # The smaller mouth's line is the inner one.
    ranked = sorted(mouths.items(), key=lambda each: each[1])
    lines = [(plane, half, depth + (0.27 + _APART * i) * inch) for i, (plane, half) in enumerate(ranked)]
    for end, level in ((0, -throat), (depth, -mouth)):
        axes.plot([end, end], [level - 0.05 * inch, below - 0.08 * inch], **line)
    reaches = [(0.0, throat, left - 0.08 * inch), *((depth, half, at + 0.08 * inch) for _, half, at in lines)]
    for end, level, reach in reaches:
        for side in (1, -1):
            axes.plot([end, reach], [side * level] * 2, **line)
    spans = [
        ((0.0, below), (depth, below)),
        ((left, -throat), (left, throat)),
        *(((at, -half), (at, half)) for _, half, at in lines),
    ]
    for start, stop in spans:
        arrow = {"arrowstyle": "<->", "color": style.QUIET, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
        axes.annotate("", stop, start, arrowprops=arrow)
    words = f"depth {depth:.1f}"
    on_line = depth > (_LETTER * len(words) + 0.35) * inch
    _label(axes, words, 0.5 * depth, below - (0 if on_line else 0.2) * inch)
    _label(axes, f"throat Ø {2 * throat:.1f}", left - 0.2 * inch, 0.0, upright=True)
    for plane, half, at in lines:
        words = f"{_ACROSS[plane]} {2 * half:.1f}"
        length = _LETTER * len(words) * inch
        # Below the axis, clear of the notes and their lines.
        _label(axes, words, at, -0.5 * half if half > length + 0.2 * inch else -half - 0.6 * length, upright=True)


_ACROSS = {"": "mouth Ø", "horizontal": "width", "vertical": "height"}


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
