"""From the points of a scan to what is told of the part: registered, mapped, and its kinds of error apart."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from threadpoolctl import threadpool_limits

from evenflare.files import InputError
from evenflare.inspection.as_built import as_built
from evenflare.inspection.cells import KINDS, cells_of
from evenflare.inspection.feet import DrawnFeet, Feet, drawn_wall
from evenflare.inspection.found import Estimate, Inspection, length_of
from evenflare.inspection.kinds import PRIOR, KindsTold, told_apart
from evenflare.inspection.on_wall import FEWEST, of_wall, reaches_throat
from evenflare.inspection.registering import MOUTH, Face, Laid, best_fit, faces, moved, on_face
from evenflare.inspection.second_order import AMPLITUDE, beyond_sum
from evenflare.inspection.starting import Pose
from evenflare.units import MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide import Waveguide

Registered = Literal["datums", "best_fit"]

CELLS = 400
"""In which the wall is seen: what is estimated takes the cube of it."""
TILT = 0.02
"""rad, standard deviation of a wall's tilt before anything is seen."""
UNLIKE = 0.02
"""Of the wall's length: waves as high are of no part, but of a scan that lies elsewhere."""
UNSEEN = 0.2 * MILLIMETRE
"""Standard deviation of a step at a throat that is not seen: taken for none, offset and scale took up what it was."""
_THIN, _SOME, _ENOUGH = 8000, 60_000, 200_000
"""Points by which a scan is found, is laid, and its kinds are told at last."""
_SCALE, _OFFSET, _STEP = (KINDS.index(each) for each in ("scale", "offset", "step"))
_BENDING = 0.2 * MILLIMETRE
"""Of the offset, either way, over which what is beyond the sum of the kinds is differenced."""
ALIKE = 0.15
"""Of the kinds together: where a wall that is so moved lies further off their sum, at a rolled rim that it keeps level,
points tell nothing of them.
"""
_FEWEST, _MOST = 2, 9
"""Rounds: the first knows nothing of what is beyond the sum of the kinds."""
_NEAR_DRAWN = 0.1
"""Of the priors of scale and offset, in the first round: what is of second order in an oval cone it takes for scales of
1.05 and offsets of -4 mm, from where the others may find no way back.
"""
_STILL = 0.2
"""Of its standard errors: a pose that moves by no more has been found."""
_LEAST = 0.05
"""Of the points of a scan must lie on the wall, else it was not found."""

_TILTED, _BEYOND = len(KINDS), len(KINDS) + 2
"""Of what is told, after KINDS: both tilts of the wall against its datum, and the amplitude of what is beyond the sum
of the kinds.
"""


class _Bench(NamedTuple):
    """What of an inspection stays the same.

    centre : m from the throat plane, of the place on the axis about which a part has grown or shrunk: its datum's.
    cells  : at most.
    """

    waveguide: Waveguide
    drawn: DrawnFeet
    laid: Laid
    prior: FloatArray
    centre: float
    probe: float
    cells: int

    def feet(self, points: FloatArray, kinds: FloatArray) -> tuple[Feet, FloatArray]:
        """Of points (N, 3) m laid on the wall, once their part is as large as drawn, and how far off (N,) they are."""
        grown = 1.0 + kinds[_SCALE]
        if grown != 1.0:
            middle = np.array([0.0, 0.0, self.centre])
            points = middle + (points - middle) / grown
        feet = self.drawn.feet(points)
        return feet, feet.off + self.probe / grown

    def used(self, feet: Feet, off: FloatArray, expected: FloatArray) -> BoolArray:
        """(N,) which points are of the wall, see `of_wall`."""
        return of_wall(self.drawn, self.laid.spread, feet, off, expected, cells=self.cells)


def inspected(
    points: FloatArray,
    normals: FloatArray | None,
    waveguide: Waveguide,
    *,
    to: Registered | None = None,
    probe_radius: float = 0.0,
    in_plane: bool = False,
    cells: int = CELLS,
) -> Inspection:
    """What a scan tells of the part that it is of.

    points       : (N, 3) m, in any position and orientation; six at least. With fewer than 150 they must lie nearly as
                   the part is drawn: z from the throat plane forward.
    normals      : (N, 3) of either sign, or None.
    to           : what the pose is taken from: the flat face in the throat plane, or else that in the mouth plane
                   ("datums"), or the wall alone ("best_fit"); None: datums where the scan holds such a face.
    probe_radius : m, of the ball whose centre the points are: it lay in the air, and touched the wall on the normal.
    in_plane     : the points are a profile, z and r as x, whose axis is the part's: only z is registered, and there is
                   no ovality and no tilt to be told.
    cells        : in which the wall is seen at most.
    The rotation about the axis of a round part is free: the scan's own is kept as near as can be, and its error is
    infinite.
    Errors       : InputError if the wall is not found in the scan, or holds no such face where one is asked for.
    """
    if len(points) < FEWEST:
        raise InputError(f"the scan holds {len(points)} points: must be at least {FEWEST}. Probe more")
    drawn = drawn_wall(waveguide)
    held = np.zeros(len(KINDS), dtype=bool)
    held[5] = drawn.is_round
    if in_plane:
        held[[0, 1, 3, 4, 5, 9, 10]] = True
    held[_STEP] = True
    order = np.random.default_rng(0).permutation(len(points))
    thin, some = points[order[:_THIN]], points[order[:_SOME]]
    with threadpool_limits(1 if cells <= CELLS else None, user_api="blas"):
        laid = best_fit(
            thin, None if normals is None or in_plane else normals[order[:_THIN]], drawn, probe=probe_radius, held=held
        )
        _check_found(laid, len(thin))
        pose, face = laid.pose, None
        if to != "best_fit" and not in_plane:
            face = _datum(pose, some, drawn, asked=to is not None)
            pose = pose if face is None else on_face(pose, face)
        pose = _near_own(pose) if drawn.is_round and not in_plane else pose
        seen = drawn.feet(pose.of(some))
        held[_STEP] = not reaches_throat(drawn, laid, seen, seen.off + probe_radius)
        centre = drawn.depth if face is not None and face.name == MOUTH else 0.0
        prior = _prior(held, face)
        bench = _Bench(waveguide, drawn, laid, prior, centre, probe_radius, cells)
        kinds, expected = np.zeros(_BEYOND + 1), laid.kinds
        near = prior.copy()
        near[[_SCALE, _OFFSET]] *= _NEAR_DRAWN
        for turn in range(_MOST):
            pose, kinds, still = _told(bench if turn else bench._replace(prior=near), pose, some, kinds, expected)
            expected = _expected(bench, kinds, at_size=True)
            if still and turn + 1 >= _FEWEST:
                break
        laid_points = pose.of(points)
        feet = drawn.feet(laid_points)
        used = bench.used(feet, feet.off + probe_radius, _expected(bench, kinds, at_size=False))
        enough = np.sort(order[:_ENOUGH])
        at_size, off = bench.feet(laid_points[enough], kinds)
        told = _seen(bench, at_size, off, used[enough] & at_size.inside, kinds, cells)
        _check_told(told, drawn)
        grown = _grown(kinds, told.values)
        return _inspection(bench, laid_points, feet, used, pose, told, grown, face, held)


def _check_found(laid: Laid, count: int) -> None:
    if laid.score < max(_LEAST * count, 0.5 * FEWEST):
        raise InputError(
            f"the drawn wall is not found in the scan: of {count} points {laid.score:.0f} lie on it. Is it a scan of"
            " this part, in the right unit? Remove what is not the part, or turn it near to how the part is drawn"
        )


def _check_told(told: KindsTold, drawn: DrawnFeet) -> None:
    """InputError where what remains of a scan is too much for any part."""
    left = told.waviness.value
    if left > UNLIKE * drawn.length:
        raise InputError(
            f"laid on the drawn wall the scan departs by {left / MILLIMETRE:.1f} mm rms, kinds of deviation apart: must"
            f" be at most {UNLIKE * drawn.length / MILLIMETRE:.1f}. Is it a scan of this part, and does it hold enough"
            " of the wall to tell where it lies? Scan more of it, or turn it near to how the part is drawn"
        )


def _datum(pose: Pose, points: FloatArray, drawn: DrawnFeet, *, asked: bool) -> Face | None:
    """The first of the flat faces that the scan holds."""
    laid = pose.of(points)
    found = faces(laid, drawn.feet(laid), drawn)
    if not found and asked:
        raise InputError(
            "registered to datums: the scan holds no flat face in the throat plane or the mouth plane, seen over three"
            " eighths of the way round. Scan one with the wall, or register by best fit"
        )
    return found[0] if found else None


def _prior(held: BoolArray, face: Face | None) -> FloatArray:
    """(K + 3,) standard deviations of the columns: those of KINDS, the wall's tilts, and what is beyond their sum."""
    prior = np.array([*(PRIOR[each] for each in KINDS), 0.0, 0.0, AMPLITUDE])
    if face is not None:
        prior[[2, 3, 4]] = face.errors[[0, 2, 1]]
        prior[_TILTED:_BEYOND] = TILT
    prior[: len(KINDS)][held] = 0.0
    prior[_STEP] = UNSEEN if held[_STEP] else prior[_STEP]
    return prior


def _expected(bench: _Bench, kinds: FloatArray, *, at_size: bool) -> FloatArray:
    """(K,), as KINDS: how a part of these departs, laid as they were told. at_size : once it is as large as drawn."""
    expected = kinds[:_TILTED].copy()
    # What its pose was off by is mended; it has grown about its datum, and the wall may lie askew of that.
    expected[:6] = [0.0, 0.0, -bench.centre * kinds[_SCALE], *kinds[_TILTED:_BEYOND], 0.0]
    if at_size:
        expected[[2, _SCALE]] = 0.0
    return expected


def _told(
    bench: _Bench, pose: Pose, points: FloatArray, kinds: FloatArray, expected: FloatArray
) -> tuple[Pose, FloatArray, bool]:
    """The pose without the error that the points tell of it, all that it was moved by so far and the kinds, and whether
    it hardly moved. kinds, expected : of before; see `of_wall`.
    """
    feet, off = bench.feet(pose.of(points), kinds)
    told = _seen(bench, feet, off, bench.used(feet, off, expected), kinds, min(bench.cells, 200))
    values = told.values.copy()
    step = values - kinds
    still = bool(np.all(np.abs(step[:6]) <= _STILL * np.sqrt(np.maximum(np.diag(told.covariance)[:6], 0.0))))
    values[_SCALE] = _grown(kinds, values)
    return moved(pose, step[:6]), values, still


def _grown(kinds: FloatArray, told: FloatArray) -> float:
    """How much a part has, as a share: it was brought to the drawn size by `kinds`, of which the rest is told."""
    return float((1.0 + kinds[_SCALE]) * (1.0 + told[_SCALE] - kinds[_SCALE]) - 1.0)


def _seen(bench: _Bench, feet: Feet, off: FloatArray, used: BoolArray, kinds: FloatArray, cells: int) -> KindsTold:
    """What is told by points about their part at its size. The pose's error and the scale in `kinds` are taken out of
    the points already; they are told whole all the same, since their priors, or the datum, are of the whole: those of
    what is wanting would be none after some rounds.
    """
    wall, off = feet.of(used), off[used]
    beyond = np.zeros((len(off), 2))
    if np.any(kinds):
        beyond = _beyond(bench, kinds, wall)
        alike = np.abs(beyond[:, 0]) <= ALIKE * np.abs(kinds[_SCALE + 1 : _TILTED]).sum()
        if np.count_nonzero(alike) >= max(FEWEST, 0.5 * len(off)):
            wall, off, beyond = wall.of(alike), off[alike], beyond[alike]
    held = cells_of(wall, off, bench.drawn, most=cells, beyond=beyond)
    kept, bent = held.columns[:, :-1], held.columns[:, -1]
    every = np.insert(kept, [_TILTED], kept[:, 3:5], axis=1)
    every[:, _SCALE] -= bench.centre * every[:, 2]
    every[:, _OFFSET] += bent
    whole = held.off + every[:, : _SCALE + 1] @ kinds[: _SCALE + 1] + bent * kinds[_OFFSET]
    return told_apart(held._replace(off=whole), every, bench.prior, arc=bench.drawn.length)


def _beyond(bench: _Bench, kinds: FloatArray, wall: Feet) -> FloatArray:
    """(N, 2) what is beyond the sum of the kinds, m, and how it changes with the offset, as far as it was seen. On a
    cone a scale and a shift nearly undo an offset of a millimetre: what is left of the three is no more than by how
    much that bends an oval.
    """

    def moved_by(offset: float) -> FloatArray:
        other = kinds.copy()
        other[_OFFSET] += offset
        return beyond_sum(bench.waveguide, bench.drawn, other, wall)

    at, seen = moved_by(0.0), min(max(float(kinds[_BEYOND]), 0.0), 1.0)
    bent = (moved_by(_BENDING) - moved_by(-_BENDING)) * (seen / (2.0 * _BENDING)) if seen else np.zeros(len(at))
    return np.column_stack([at, bent])


def _near_own(pose: Pose) -> Pose:
    """Turned about the axis so that the scan's own coordinates turn least."""
    R = pose.rotation
    angle = np.arctan2(R[0, 1] - R[1, 0], R[0, 0] + R[1, 1])
    c, s = np.cos(angle), np.sin(angle)
    about = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return Pose(about @ R, about @ pose.shift)


def _inspection(
    bench: _Bench,
    points: FloatArray,
    feet: Feet,
    used: BoolArray,
    pose: Pose,
    told: KindsTold,
    grown: float,
    face: Face | None,
    held: BoolArray,
) -> Inspection:
    drawn, values = bench.drawn, told.values
    # Kinds are of the part before it grew: they are known no better than by how much it did.
    apart = np.eye(values.size)
    apart[_SCALE + 1 : _TILTED, _SCALE] = -values[_SCALE + 1 : _TILTED]
    covariance = apart @ told.covariance @ apart.T
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))

    def of(name: str) -> Estimate:
        k = KINDS.index(name)
        # What could not be asked is as unknown as before.
        return Estimate(float(values[k]), float(PRIOR[name] if held[k] else errors[k]))

    pose_error = errors[:6].copy()
    pose_error[held[:6]] = np.inf
    if face is None:
        tilt = Estimate(0.0, float(np.sqrt(0.5 * np.sum(np.minimum(pose_error[3:5], TILT) ** 2))))
    else:
        tilt = length_of(values[_TILTED:_BEYOND], covariance[_TILTED:_BEYOND, _TILTED:_BEYOND])
    ovality = of("oval")
    if drawn.is_round and not held[9]:
        ovality = length_of(values[9:11], covariance[9:11, 9:11])
    return Inspection(
        points=points + bench.probe * feet.normals,
        off=feet.off + bench.probe,
        share=feet.share,
        azimuth=feet.azimuth,
        used=used,
        registered_to="best_fit" if face is None else "datums",
        rotation=pose.rotation,
        shift=pose.shift,
        pose_error=pose_error,
        scale=Estimate(1.0 + grown, of("scale").standard_error),
        offset=of("offset"),
        bow=of("bow"),
        ovality=ovality,
        tilt=tilt,
        throat_step=Estimate(0.0, np.nan) if held[_STEP] else of("step"),
        waviness=told.waviness,
        waviness_length=told.waves.length,
        wall=as_built(told, drawn, grown),
        datum="" if face is None else face.name,
    )
