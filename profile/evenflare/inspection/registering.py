"""A scan laid on the drawn wall: best fit with a robust loss, or by the flat faces at throat and mouth.

The distance of each point from the tangent plane of its foot is made small, points counted by Tukey's biweight, with a
scale from the nearest quarter of them: up to three quarters may be something else. Kinds of error that are no error
of the pose are fitted beside it, so that a part that shrank or bowed is not laid askew.
Source: Chen and Medioni (1992), Image and Vision Computing 10 (point to plane); Beaton and Tukey (1974), Technometrics
16 (biweight), Huber (1981), Robust statistics (iteratively reweighted least squares), all from memory.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from evenflare.inspection.cells import KINDS, columns
from evenflare.inspection.feet import DrawnFeet, Feet
from evenflare.inspection.kinds import PRIOR
from evenflare.inspection.starting import Pose, starts
from evenflare.units import MILLIMETRE, BoolArray, FloatArray

BIWEIGHT = 4.685
"""Of the scale: 95 per cent efficient for a normal law (Holland and Welsch 1977, from memory)."""
_QUARTER = 0.3186
"""What a quarter of a normal law lies within, in standard deviations."""
_FLOOR = 2e-6
_ROUGH, _FINE = 12, 40
_PIECES = 25
"""Of evidence: what kinds of error leave goes on for long, and so thousands of points of a wall tell of them no more
than so many would. Each for itself they outweighed what parts may be: a departure of second order at a rolled rim, of
0.3 mm, was laid as a shift of 30 mm, a scale of 1.2 and an offset of -25 mm, which nearly undo each other.
"""
_ASTRAY = 0.95
"""Of the most points that lay on the wall so far: a registration that loses more follows what nearly undoes each other,
offset, scale and a shift, to where linear columns say nothing. A part bowed by 1.7 mm went astray by 18 mm.
"""
_STILL = 1e-9
"""m: a registration that moves no farther has ended."""
THROAT, MOUTH = "throat plane", "mouth face"
"""Flat faces, datums."""
FACE = 1.5 * MILLIMETRE
"""A flat face lies so near to its plane once the wall is registered."""
_BLOCKS = 24
_SEEN = 9
"""Of 24 blocks of azimuth, in which a face must be seen."""


class Laid(NamedTuple):
    """A pose, the kinds' values beside it (in KINDS' order, the pose's own 0), the scale of what remains (m), and how
    many of the thinned points lie on the wall.
    """

    pose: Pose
    kinds: FloatArray
    spread: float
    score: float


class Face(NamedTuple):
    """A flat face of the part in the scan, in the part's coordinates.

    slopes : its plane is z = height + slopes[0] x + slopes[1] y; errors : (3,) standard errors of height and slopes.
    """

    name: str
    height: float
    slopes: FloatArray
    errors: FloatArray


def best_fit(
    points: FloatArray, normals: FloatArray | None, drawn: DrawnFeet, *, probe: float, held: BoolArray
) -> Laid:
    """The pose that lays most of a thinned scan on the wall.

    probe : m, radius of the ball whose centre the points are; held : (K,) which of KINDS stay 0.
    """
    some = points[:: max(1, len(points) // 1200)]
    found = [
        _refined(start, some, drawn, _ROUGH, probe, held, pose_only=True)
        for row in starts(points, normals, drawn)
        for start in _far_apart(row, drawn)
    ]
    best = max(found, key=lambda each: each.score)
    return _refined(best.pose, points, drawn, _FINE, probe, held, pose_only=False)


def _far_apart(poses: list[Pose], drawn: DrawnFeet, most: int = 8) -> list[Pose]:
    """The likeliest of poses that differ."""
    probes = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, drawn.depth]])
    if not drawn.is_round:
        probes = np.vstack([probes, [[drawn.depth, 0.0, 0.0]]])
    kept: list[Pose] = []
    for pose in poses[:-1]:
        back = (probes - pose.shift) @ pose.rotation
        if all(np.abs(back - (probes - k.shift) @ k.rotation).max() > 0.04 * drawn.depth for k in kept):
            kept.append(pose)
    return [*kept[:most], poses[-1]]


def _refined(
    pose: Pose, points: FloatArray, drawn: DrawnFeet, rounds: int, probe: float, held: BoolArray, *, pose_only: bool
) -> Laid:
    prior = np.array([PRIOR[each] for each in KINDS])
    kinds = np.zeros(len(KINDS))
    reach, spread = 0.1 * drawn.length, np.inf
    free = ~held
    best = Laid(pose, kinds, spread, -np.inf)
    for turn in range(rounds):
        feet = drawn.feet(pose.of(points))
        off = feet.off + probe
        every = np.column_stack(columns(feet, drawn))
        left = off - every @ kinds
        if not pose_only:
            now = Laid(pose, kinds.copy(), spread, _score(left, feet, drawn))
            if now.score < _ASTRAY * best.score:
                return best
            best = max(best, now, key=lambda each: each.score)
        near: BoolArray = feet.inside & (np.abs(left) < reach)
        if np.count_nonzero(near) < 3:
            break
        spread = max(float(np.quantile(np.abs(left[near]), 0.25)) / _QUARTER, _FLOOR)
        cut = max(BIWEIGHT * spread, BIWEIGHT * _FLOOR)
        weight = np.where(near & (np.abs(left) < cut), (1.0 - (left / cut) ** 2) ** 2, 0.0)
        fitted = free.copy()
        if pose_only or turn < 6:
            fitted[6:] = False
        X = every[:, fitted]
        of_pose = np.arange(len(KINDS))[fitted] < 6
        each = np.where(of_pose, 1.0, max(1.0, np.count_nonzero(near) / _PIECES))
        ridge = np.diag(each * (spread / prior[fitted]) ** 2)
        # What is wanting of the kinds' prior values is drawn to nothing, the pose's is not: it has none of its own.
        pull = ridge @ np.where(of_pose, 0.0, kinds[fitted])
        found = np.linalg.solve(X.T @ (weight[:, None] * X) + ridge, X.T @ (weight * left) - pull)
        step = np.zeros(len(KINDS))
        step[fitted] = found
        pose = moved(pose, step[:6])
        kinds[6:] += step[6:]
        reach = max(0.6 * reach, 3.0 * cut)
        if turn > 10 and np.abs(step[:6] * [1, 1, 1, drawn.depth, drawn.depth, drawn.depth]).max() < _STILL:
            break
    feet = drawn.feet(pose.of(points))
    left = feet.off + probe - np.column_stack(columns(feet, drawn)) @ kinds
    return Laid(pose, kinds, spread, _score(left, feet, drawn))


def _score(left: FloatArray, feet: Feet, drawn: DrawnFeet) -> float:
    """How many of the points lie on the wall, each counted by how near, `left` (N,) m."""
    by = np.minimum(np.abs(left) / (0.01 * drawn.length), 1.0)
    return float(np.sum(np.where(feet.inside, 1.0 - by, 0.0)))


def moved(pose: Pose, error: FloatArray) -> Pose:
    """The pose without an error (6,) of it: m, and rad about the throat's centre."""
    back = Rotation.from_rotvec(-error[3:]).as_matrix()
    return Pose(back @ pose.rotation, back @ (pose.shift - error[:3]))


def faces(points: FloatArray, feet: Feet, drawn: DrawnFeet) -> list[Face]:
    """The flat faces in the throat plane and in the mouth plane, outside of the wall, of points (N, 3) laid on it."""
    found = []
    ends = drawn.wall_at(np.array([0.0, 1.0]), np.zeros(2))[0]
    radius = np.hypot(points[:, 0], points[:, 1])
    for name, end in ((THROAT, ends[0]), (MOUTH, ends[1])):
        # Behind a wide throat the wall's normals reach the face, too.
        off_wall = ~feet.inside | (np.abs(feet.off) > 0.5 * MILLIMETRE)
        beside = off_wall & (np.abs(points[:, 2] - end[2]) < FACE) & (radius > abs(end[0]) + MILLIMETRE)
        face = _face(name, points[beside] - [0.0, 0.0, end[2]])
        if face is not None:
            found.append(face)
    return found


def _face(name: str, points: FloatArray) -> Face | None:
    """Through points near z = 0; None where too little is seen of one, or it is not flat."""
    if len(points) < 4 * _SEEN:
        return None
    block = ((np.arctan2(points[:, 1], points[:, 0]) / np.pi + 1.0) * 0.5 * _BLOCKS).astype(int) % _BLOCKS
    plane, kept = np.zeros(3), np.ones(len(points), dtype=bool)
    terms = np.column_stack([np.ones(len(points)), points[:, :2]])
    for _ in range(10):
        left = points[:, 2] - terms @ plane
        spread = max(1.4826 * float(np.median(np.abs(left[kept]))), _FLOOR)
        weight = np.maximum(1.0 - (left / (BIWEIGHT * spread)) ** 2, 0.0) ** 2
        kept = weight > 0.0
        plane = np.linalg.lstsq(terms * weight[:, None], points[:, 2] * weight, rcond=None)[0]
    # What the face is not flat goes on for long: a block of azimuth is one piece of evidence.
    number = np.bincount(block[kept], minlength=_BLOCKS)
    seen: BoolArray = number >= 4
    if np.count_nonzero(seen) < _SEEN or spread > 0.3 * MILLIMETRE:
        return None
    sums = [np.bincount(block[kept], weights=each[kept], minlength=_BLOCKS)[seen] for each in (*terms.T, points[:, 2])]
    means = np.column_stack(sums) / number[seen, None]
    inverse = np.linalg.inv(means[:, :3].T @ means[:, :3])
    plane = inverse @ means[:, :3].T @ means[:, 3]
    left = means[:, 3] - means[:, :3] @ plane
    variance = float(left @ left) / (len(left) - 3)
    return Face(name, float(plane[0]), plane[1:], np.sqrt(np.diag(inverse) * variance))


def on_face(pose: Pose, face: Face) -> Pose:
    """The pose turned and shifted so that the face lies in its plane; the throat's centre stays on the axis."""
    error = np.array([0.0, 0.0, face.height, face.slopes[1], -face.slopes[0], 0.0])
    return moved(pose, error)
