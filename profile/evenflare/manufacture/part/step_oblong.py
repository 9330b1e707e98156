"""A part around an oblong waveguide as a STEP file with true surfaces: its wall, and a shell's outside, are B-splines
whose error is measured, and so is a body's.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.step_entities import (
    CurveRun,
    Ring,
    StepFile,
    blind,
    document,
    drilled,
    loop_of,
    through,
    turned,
)
from evenflare.manufacture.part.step_rim import outside_faces, plane
from evenflare.manufacture.part.step_shell import outside_stretches
from evenflare.manufacture.part.step_splines import (
    Quarter,
    SplineSheet,
    body_stretch,
    fitted_sheets,
    quarter_of,
    spline_faces,
    wall_stretch,
)
from evenflare.units import MILLIMETRE
from evenflare.waveguide.surface import Surface
from evenflare.words import mm


def write_oblong_step(
    surface: Surface, sizes: OblongSizes, path: Path, *, title: str, features: Features = PLAIN
) -> float:
    """Write the part around an oblong waveguide as STEP in mm: z = 0 the throat plane, as solid.stl.

    features : fitted to the part.
    Returns the greatest distance (m) from the splines to the exact wall, of a shell to its parallel too, met four times
    as densely as their points.
    Errors : InputError for a wall that splines do not follow within WORST, a shell whose outside is no parallel of it,
             with creases and fans behind edges (see step_shell), or that meets the hub of its driver's seat in a curve,
             or if the file cannot be written.
    Source : ISO 10303-21 (text), ISO 10303-214 (automotive design: advanced boundary representation).
    """
    quarter = quarter_of(surface)
    stretches = [wall_stretch(surface, stretch, quarter) for stretch in range(len(surface.cuts) - 1)]
    what = "this wall"
    if sizes.body is not None:
        around = [body_stretch(sizes.body, each, quarter) for each in sizes.body.stretches if each != "back"]
        stretches, what = [*stretches, *around], "this wall and its outside"
    sheets, error = fitted_sheets(stretches, quarter, what=what)
    top, back = surface.depth / MILLIMETRE, -features.seat.depth / MILLIMETRE
    ledge, outer = back, list[SplineSheet]()
    if sizes.kind == "shell":
        ledge = top - sizes.flange_thickness / MILLIMETRE
        outer, missed = _outer(surface, sizes, features, ledge, quarter)
        error = max(error, missed)

    file = StepFile()
    # Of a body the last ring lies in its back: wall and outside are one sheet, which meets itself at the rim.
    faces, throat, last = spline_faces(file, sheets, outward=False)
    made, openings = drilled(file, [*blind(features), *through(sizes, features, surface.depth)])

    def within(z: float) -> list[Ring]:
        return [ring for opening, ring in openings if abs(opening.start[0] - z) < 1e-6]

    faces += made
    if sizes.kind == "body":
        back_rim = _loop(file, last, forward=False)
    else:
        outside, front_rim, back_rim = outside_faces(file, sizes, features, top, ledge)
        faces += outside
        faces.append(plane(file, top, True, [front_rim, _loop(file, last, forward=False)], within(top)))
    if sizes.kind == "shell":
        more, back_rim = _behind_flange(file, sizes, features, outer, ledge, back_rim, within(ledge))
        faces += more
    throat_loop = _loop(file, throat, forward=True)
    if features.seat.depth > 0.0:
        radius = 0.5 * features.seat.diameter / MILLIMETRE
        recess = CurveRun((back, radius), (0.0, radius))
        low, high = Ring(file, recess, recess.start), Ring(file, recess, recess.end)
        faces += turned(file, recess, low, high)
        faces.append(plane(file, 0.0, False, [high.loop(file, forward=False), throat_loop], within(0.0)))
        throat_loop = low.loop(file, forward=True)
    faces.append(plane(file, back, False, [back_rim, throat_loop], within(back)))
    write_text(path, document(file, faces, title=title))
    return error


def _loop(file: StepFile, ring: Sequence[str], *, forward: bool) -> str:
    """Edges counter-clockwise seen from the mouth, as a loop that way or the other."""
    return loop_of(file, [(edge, forward) for edge in (ring if forward else ring[::-1])])


def _hub(sizes: OblongSizes, features: Features) -> tuple[float, float]:
    """Radius and top of what carries a shell's seat, mm; 0 without one: the outside then begins at the throat plane."""
    radius, top = features.hub(sizes.wall) if features.seat.is_cut else (0.0, 0.0)
    return radius / MILLIMETRE, top / MILLIMETRE


def _outer(
    surface: Surface, sizes: OblongSizes, features: Features, ledge: float, quarter: Quarter
) -> tuple[list[SplineSheet], float]:
    """The outside of a shell from hub or throat plane up to its flange, and its error in m; nothing where the hub
    reaches the flange.
    """
    radius, top = _hub(sizes, features)
    low = min(top, ledge)
    stretches = outside_stretches(
        surface, sizes.wall, low * MILLIMETRE, max(ledge, low + 1e-3) * MILLIMETRE, quarter=quarter
    )
    ends = np.array([0.0])
    if features.seat.is_cut:
        rim = stretches[0](ends, np.linspace(0.0, 0.5 * np.pi, 65))[0]
        widest = float(np.hypot(rim[:, 0], rim[:, 1]).max())
        if widest > radius - 1e-3:
            raise InputError(
                f"--step: the hub of the driver's seat, Ø{2 * radius:.2f} mm, meets the outside of the shell, which is"
                f" Ø{2 * widest:.2f} wide at the hub's upper end, in a curve: that is not written. Leave --step out,"
                f' thin wall_mm = {mm(sizes.wall)}, make the driver\'s holes shallower, or write kind = "block"'
            )
    return fitted_sheets(stretches, quarter, what="the outside of this shell") if top < ledge else ([], 0.0)


def _behind_flange(
    file: StepFile,
    sizes: OblongSizes,
    features: Features,
    outer: list[SplineSheet],
    ledge: float,
    rim: str,
    holes: Sequence[Ring],
) -> tuple[list[str], str]:
    """The back of a shell's flange, its outside and its hub, and the loop that bounds the part's back face."""
    back, (radius, top) = -features.seat.depth / MILLIMETRE, _hub(sizes, features)
    faces, low, high = spline_faces(file, outer, outward=True) if outer else ([], [], [])
    inner, bound = _loop(file, high, forward=True), _loop(file, low, forward=False)
    if features.seat.is_cut:
        side = CurveRun((min(top, ledge), radius), (back, radius))
        upper, lower = Ring(file, side, side.start), Ring(file, side, side.end)
        faces += turned(file, side, upper, lower)
        if outer:
            faces.append(plane(file, top, True, [upper.loop(file, forward=True), bound], ()))
        else:
            inner = upper.loop(file, forward=True)
        bound = lower.loop(file, forward=False)
    return [*faces, plane(file, ledge, False, [rim, inner], holes)], bound
