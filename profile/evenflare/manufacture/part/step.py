"""A round part as a STEP file with true surfaces: planes, cylinders, cones, and splines turned about the axis."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare.files import write_text
from evenflare.manufacture.part.faults import SolidError
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.outline import Sizes, outline
from evenflare.manufacture.part.step_entities import (
    CurveRun,
    Hole,
    Ring,
    StepFile,
    blind,
    document,
    drilled,
    face,
    through,
    turned,
)
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian

CHORD_ERROR = 0.1e-6
"""m, of the outline that splines are laid through; between its points they depart from the wall by less."""
CORNER = 6 * DEGREE
"""A sharper turn of the outline from chord to chord ends a spline; edges are rolled round in steps of 5 degrees."""
STRAIGHT = 1e-9
"""m, within which points lie on a line."""
ON = 1e-6
"""mm, within which a circle lies in a plane."""


def write_step(meridian: Meridian, sizes: Sizes, path: Path, *, title: str, features: Features = PLAIN) -> None:
    """Write the solid of a round waveguide as STEP in mm: z = 0 the throat plane, as solid.stl.

    The wall is a cubic spline, turned about the axis, through points of the exact one that chords of 0.1 um join. Holes
    are cylinders and cones.
    features : fitted to the part.
    Errors : InputError as outline, or if the file cannot be written.
    Source : ISO 10303-21 (text), ISO 10303-214 (automotive design: advanced boundary representation).
    """
    ring = outline(meridian, sizes, chord_error=CHORD_ERROR, features=features)
    holes = [*blind(features), *through(sizes, features, meridian.depth)]
    write_text(path, step_text(ring, title=title, holes=holes))


def step_text(ring: FloatArray, *, title: str, holes: Sequence[Hole] = ()) -> str:
    """The file of a closed outline (M, 2) in (z, r), m, counter-clockwise and clear of the axis, turned about it."""
    file = StepFile()
    runs = [run_of(points / MILLIMETRE) for points in _runs(ring)]
    return document(file, _shell(file, runs, holes), title=title)


def _runs(ring: FloatArray) -> list[FloatArray]:
    """The outline cut at its corners, and where straight lines begin and end."""
    ahead = np.roll(ring, -1, axis=0) - ring
    behind = np.roll(ahead, 1, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn = np.abs(np.arctan2(cross, np.sum(behind * ahead, axis=1)))
    length = np.hypot(*ahead.T)
    # A chord much longer than its neighbours is a straight piece of the design.
    straight = length > 10.0 * np.minimum(np.roll(length, 1), np.roll(length, -1))
    cuts = np.flatnonzero((turn > CORNER) | straight | np.roll(straight, 1))
    closed = np.vstack([ring[cuts[0] :], ring[: cuts[0] + 1]])
    places = [*(cuts - cuts[0]).tolist(), len(ring)]
    return [closed[a : b + 1] for a, b in itertools.pairwise(places)]


def run_of(points: FloatArray) -> CurveRun:
    """A line or a spline through points (N, 2) in (z, r), mm."""
    from scipy.interpolate import make_interp_spline

    points = np.round(points, 9)
    start, end = points[0], points[-1]
    along = (end - start) / np.hypot(*(end - start))
    off = (points[:, 0] - start[0]) * along[1] - (points[:, 1] - start[1]) * along[0]
    ends = (float(start[0]), float(start[1])), (float(end[0]), float(end[1]))
    if np.abs(off).max() <= STRAIGHT / MILLIMETRE:
        return CurveRun(*ends)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    degree = min(3, len(points) - 1)
    if degree < 3:
        # So short that an arc through its points needs no more.
        fine = make_interp_spline(s, points, k=degree)
        s = np.linspace(0.0, s[-1], 4)
        points = np.asarray(fine(s))
    spline = make_interp_spline(s, points, k=3)
    poles = np.asarray(spline.c).copy()
    poles[0], poles[-1] = start, end
    return CurveRun(*ends, poles, np.asarray(spline.t))


def _shell(file: StepFile, runs: Sequence[CurveRun], holes: Sequence[Hole]) -> list[str]:
    """The outline's faces and the holes'."""
    rings = [Ring(file, run, run.start) for run in runs]
    faces, openings = drilled(file, holes)
    for k, run in enumerate(runs):
        low, high = rings[k], rings[(k + 1) % len(runs)]
        if run.is_flat:
            pierced = [ring for opening, ring in openings if _lies_in(opening, run)]
            openings = [each for each in openings if not _lies_in(each[0], run)]
            faces.append(_flat(file, run, low, high, pierced))
        else:
            faces += turned(file, run, low, high)
    if openings:
        (z, _), x, y = openings[0][0].start, openings[0][0].x, openings[0][0].y
        raise SolidError(
            f"[solid] a hole at x = {x:.4g}, y = {y:.4g} mm opens at z_mm = {z:.4g} where the part has no plane all"
            " round it. Move it, or leave out --step",
            places=np.array([[x, y, z]]) * MILLIMETRE,
        )
    return faces


def _lies_in(opening: CurveRun, flat: CurveRun) -> bool:
    """Whether a hole's circle lies in a plane's ring, all of it."""
    (z, r), away = opening.start, float(np.hypot(opening.x, opening.y))
    inner, outer = sorted((flat.start[1], flat.end[1]))
    return abs(z - flat.start[0]) < ON and inner < away - r and away + r < outer


def _flat(file: StepFile, run: CurveRun, low: Ring, high: Ring, through: Sequence[Ring]) -> str:
    """One plane face between two circles, with openings."""
    up = run.end[1] > run.start[1]
    outer, inner = (high, low) if up else (low, high)
    surface, outward = run.surface(file)
    bounds = [outer.loop(file, forward=up), *(ring.loop(file, forward=not up) for ring in (inner, *through))]
    return face(file, surface, outward, bounds)
