"""From the points of a scan to what is told of the part: registered, mapped, and its kinds of error apart."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from threadpoolctl import threadpool_limits

from evenflare.files import InputError
from evenflare.inspection.cells import KINDS, cells_of, columns, sorted_in, strays
from evenflare.inspection.feet import DrawnFeet, Feet, drawn_wall
from evenflare.inspection.found import Estimate, Inspection
from evenflare.inspection.kinds import PRIOR, KindsTold, told_apart
from evenflare.inspection.registering import FACE, MOUTH, Face, Laid, best_fit, faces, moved, on_face
from evenflare.inspection.second_order import AMPLITUDE, beyond_sum
from evenflare.inspection.starting import Pose
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation

Registered = Literal["datums", "best_fit"]

FEWEST = 6
"""Points of the wall: as many as a pose has unknowns."""
CELLS = 400
"""In which the wall is seen: what is estimated takes the cube of it."""
TILT = 0.02
"""rad, standard deviation of a wall's tilt before anything is seen."""
UNLIKE = 0.02
"""Of the wall's length: waves as high are of no part, but of a scan that lies elsewhere."""
REACHED = 0.15
"""Radii of the exit from the throat, of arc: a scan that holds points there shows how the wall begins."""
UNSEEN = 0.2 * MILLIMETRE
"""Standard deviation of a step at a throat that is not seen: taken for none, offset and scale took up what it was."""
_THIN, _SOME, _ENOUGH = 8000, 60_000, 200_000
"""Points by which a scan is found, is laid, and its kinds are told at last."""
_WIDE, _SHARE = 8.0, 0.015
_TOGETHER = 25
"""Points of a cell in which strays are told from the wall, on the average."""
_KNOTS = 48
_AROUND = 24
_AT_THROAT = 3
"""Points."""
_SCALE, _STEP = KINDS.index("scale"), KINDS.index("step")
ALIKE = 0.15
"""Of the kinds together: where a wall that is so moved lies further off their sum, at a rolled rim that it keeps level,
points tell nothing of them.
"""
_FEWEST, _MOST = 2, 6
"""Rounds: the first knows nothing of what is beyond the sum of the kinds."""
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
        held[_STEP] = not _reached(drawn, laid, seen, seen.off + probe_radius)
        centre = drawn.depth if face is not None and face.name == MOUTH else 0.0
        bench = _Bench(waveguide, drawn, laid, _prior(held, face), centre, probe_radius, cells)
        kinds, expected = np.zeros(_BEYOND + 1), laid.kinds
        for turn in range(_MOST):
            pose, kinds, still = _told(bench, pose, some, kinds, expected)
            expected = _expected(bench, kinds, at_size=True)
            if still and turn + 1 >= _FEWEST:
                break
        laid_points = pose.of(points)
        feet = drawn.feet(laid_points)
        used = _used(bench, feet, feet.off + probe_radius, _expected(bench, kinds, at_size=False))
        enough = np.sort(order[:_ENOUGH])
        at_size, off = bench.feet(laid_points[enough], kinds)
        told = _seen(bench, at_size, off, used[enough] & at_size.inside, kinds, cells)
        _check_told(told, drawn)
        grown = (1.0 + kinds[_SCALE]) * (1.0 + told.values[_SCALE] - kinds[_SCALE]) - 1.0
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


def _reached(drawn: DrawnFeet, laid: Laid, feet: Feet, off: FloatArray) -> bool:
    """Whether points laid on the wall show how it begins."""
    share = feet.share[_close(drawn, laid.spread, feet, off, laid.kinds)[0]]
    return int(np.sum(share * drawn.length < REACHED * drawn.exit_radius)) >= _AT_THROAT


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


def _close(
    drawn: DrawnFeet, spread: float, feet: Feet, off: FloatArray, expected: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Which (M,) of the points lie about where a wall does that departs by `expected` (K,), as KINDS, and how far (M,)
    off that, m. spread : m, of what remained as the scan was laid.
    """
    near = np.flatnonzero(feet.inside & np.isfinite(off) & ~_of_throat_face(drawn, feet))
    left = off[near] - np.einsum("kn,k->n", columns(feet.of(near), drawn), expected)
    reach = max(_WIDE * spread, _SHARE * drawn.length)
    left -= _crowd(left, reach)
    close = np.abs(left) < reach
    return near[close], left[close]


def _used(bench: _Bench, feet: Feet, off: FloatArray, expected: FloatArray) -> BoolArray:
    """(N,) which points are of a wall that departs by `expected` (K,), as KINDS."""
    near, left = _close(bench.drawn, bench.laid.spread, feet, off, expected)
    if near.size > bench.cells:
        fine = sorted_in(feet.places[near], most=max(1, min(3 * bench.cells, near.size // _TOGETHER)))
        near = near[~strays(left, feet.places[near], fine)]
    used = np.zeros(len(off), dtype=bool)
    used[near] = True
    if near.size < FEWEST:
        raise InputError(
            f"{near.size} points of the scan lie on the drawn wall: must be at least {FEWEST}. Is it a scan of this"
            " part?"
        )
    return used


def _of_throat_face(drawn: DrawnFeet, feet: Feet) -> BoolArray:
    """(N,) which points lie outside of the throat, nearer to its plane than to the wall: behind a wide one they are in
    reach of the wall's normals.
    """
    places = feet.places + feet.off[:, None] * feet.normals
    rim = drawn.wall_at(np.zeros(1), np.zeros(1))[0][0, 0]
    outside: BoolArray = np.hypot(places[:, 0], places[:, 1]) > rim + 0.3 * MILLIMETRE
    return outside & (np.abs(places[:, 2]) < 0.5 * np.abs(feet.off))


def _crowd(values: FloatArray, reach: float) -> float:
    """The median of those of the values within the window, `reach` to either side and near 0, that holds most."""
    ranked = np.sort(values[np.abs(values) < FACE + reach])
    if not ranked.size:
        return 0.0
    first = np.searchsorted(ranked, ranked - 2.0 * reach)
    last = int(np.argmax(np.arange(ranked.size) - first))
    return float(np.median(ranked[first[last] : last + 1]))


def _told(
    bench: _Bench, pose: Pose, points: FloatArray, kinds: FloatArray, expected: FloatArray
) -> tuple[Pose, FloatArray, bool]:
    """The pose without the error that the points tell of it, all that it was moved by so far and the kinds, and whether
    it hardly moved. kinds, expected : of before; see `_used`.
    """
    feet, off = bench.feet(pose.of(points), kinds)
    told = _seen(bench, feet, off, _used(bench, feet, off, expected), kinds, min(bench.cells, 200))
    values = told.values.copy()
    step = values - kinds
    still = bool(np.all(np.abs(step[:6]) <= _STILL * np.sqrt(np.maximum(np.diag(told.covariance)[:6], 0.0))))
    values[_SCALE] = (1.0 + kinds[_SCALE]) * (1.0 + step[_SCALE]) - 1.0
    return moved(pose, step[:6]), values, still


def _seen(bench: _Bench, feet: Feet, off: FloatArray, used: BoolArray, kinds: FloatArray, cells: int) -> KindsTold:
    """What is told by points about their part at its size. The pose's error and the scale in `kinds` are taken out of
    the points already; they are told whole all the same, since their priors, or the datum, are of the whole: those of
    what is wanting would be none after some rounds.
    """
    wall, off = feet.of(used), off[used]
    beyond = np.zeros(len(off))
    if np.any(kinds):
        beyond = beyond_sum(bench.waveguide, bench.drawn, kinds, wall)
        alike = np.abs(beyond) <= ALIKE * np.abs(kinds[_SCALE + 1 : _TILTED]).sum()
        if np.count_nonzero(alike) >= max(FEWEST, 0.5 * len(off)):
            wall, off, beyond = wall.of(alike), off[alike], beyond[alike]
    held = cells_of(wall, off, bench.drawn, most=cells, beyond=beyond)
    every = np.insert(held.columns, [_TILTED], held.columns[:, 3:5], axis=1)
    every[:, _SCALE] -= bench.centre * every[:, 2]
    whole = held.off + every[:, : _SCALE + 1] @ kinds[: _SCALE + 1]
    return told_apart(held._replace(off=whole), every, bench.prior, arc=bench.drawn.length)


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
        wall=_as_built(told, drawn, grown),
        datum="" if face is None else face.name,
    )


def length_of(parts: FloatArray, covariance: FloatArray) -> Estimate:
    """The length of a vector (2,) known with an error: without what the error across it adds, which is all that
    lengthens it. That along it as well, of one of two standard errors, would leave nothing too often. The standard
    error holds what is of second order: the length is a + b^2 / (2 a), of which the last has b^4 / (2 a^2).
    Source: Wardle and Kronberg (1974), The Astrophysical Journal 194 (polarisation), from memory.
    """
    square = float(parts @ parts)
    direction = parts / max(square**0.5, 1e-300)
    along = max(float(direction @ covariance @ direction), 0.0)
    across = max(float(np.trace(covariance)) - along, 0.0)
    second = across**2 / (2.0 * max(square, across, 1e-300))
    return Estimate(max(square - across, 0.0) ** 0.5, (along + second) ** 0.5)


def _as_built(told: KindsTold, drawn: DrawnFeet, grown: float) -> WallDeviation:
    """The kinds, and the waves at knots half a correlation length apart; round walls by the mean all round."""
    values = told.values
    step = max(0.5 * told.waves.length, drawn.length / _KNOTS, 0.5 * MILLIMETRE)
    share = np.linspace(0.0, 1.0, max(3, int(np.ceil(drawn.length / step)) + 1))
    if drawn.is_round:
        azimuths = np.arange(_AROUND) * 2.0 * np.pi / _AROUND
    else:
        around = 0.5 * np.pi * float(np.hypot(*drawn.wall_at(np.ones(1), np.zeros(1))[0][0, :2]))
        azimuths = np.linspace(0.0, 0.5 * np.pi, int(np.clip(np.ceil(around / step), 4, 12)) + 1)
    turned = azimuths if drawn.is_round else np.concatenate([azimuths, np.pi - azimuths, np.pi + azimuths, -azimuths])
    places = drawn.wall_at(*np.broadcast_arrays(share[:, None], turned[None, :]))[0]
    waves = told.likeliest.waves_at(share, places)
    # A wall that is alike in its quarters is what can be solved: the mean of the four.
    waves = waves.mean(axis=1, keepdims=True) if drawn.is_round else waves.reshape(len(share), 4, -1).mean(axis=1)
    kinds = {name: float(values[KINDS.index(name)]) for name in ("offset", "bow")}
    return WallDeviation(
        **kinds,
        scale=grown,
        ovality=0.0 if drawn.is_round else float(values[9]),
        throat_step=float(values[_STEP]),
        shares=tuple(share.tolist()),
        azimuths=(0.0,) if drawn.is_round else tuple(azimuths.tolist()),
        waves=tuple(tuple(row) for row in waves.tolist()),
    )
