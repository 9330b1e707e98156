"""What the deviation that a calibration leaves looks like, where the model does not explain a measurement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.measurement.calibration import Calibration
from evenflare.metrics import SAME_ANGLE
from evenflare.units import DEGREE, FloatArray

WIDE = 60.0 * DEGREE
"""rad off axis, beyond which box and baffle are heard rather than the horn."""
SHARE = 0.4
"""Of the mean square that is left, that a shape must explain to be told."""
PATHS: FloatArray = np.linspace(0.08, 1.5, 143)
"""m, detours of a wave that edges or a reflection may add."""
EVEN_SHARE = 0.3
"""Of a mean square over frequency, that a ripple of one detour must explain; noise explains a tenth by chance."""
LEAST_ROWS = 12
"""Frequencies from which a ripple can be told."""


@dataclass(frozen=True)
class ResidualShape:
    """One likeness: the share (0 to 1) of what is left that it explains, and in words what it hints at."""

    share: float
    words: str


def shapes_of(found: Calibration) -> list[ResidualShape]:
    """Likenesses of what the calibrated model leaves, the strongest first; none where it has no shape."""
    left = np.where(found.cells, found.deviation(found.after), np.nan)
    seen = found.measured.observation
    left[:, :, np.abs(seen.off_axis) < SAME_ANGLE] = np.nan
    whole = float(np.nanmean(left**2))
    if not whole > 0.0:
        return []
    shapes = [_wide(left, seen.off_axis, whole), _planes(left, whole), _sides(left, seen.off_axis, whole)]
    shapes.append(_ripple(left, seen.frequency, found.measured.speed_of_sound))
    return sorted((each for each in shapes if each is not None), key=lambda each: -each.share)


def _wide(left: FloatArray, off_axis: FloatArray, whole: float) -> ResidualShape | None:
    """Alike in sign beyond 60 degrees: another box, or a baffle that is not there."""
    beyond = left[:, :, np.abs(off_axis) > WIDE]
    known = np.isfinite(beyond)
    if not np.any(known):
        return None
    mean = float(np.mean(beyond[known]))
    share = mean**2 * np.count_nonzero(known) / (whole * np.count_nonzero(np.isfinite(left)))
    if share < SHARE:
        return None
    more = "louder" if mean > 0.0 else "quieter"
    return ResidualShape(
        float(share),
        f"beyond 60 degrees the measurement is {abs(mean):.1f} dB {more} throughout, as with another mounting than the"
        " design's: a baffle, or a box of another size. Correct [mounting] in the design",
    )


def _planes(left: FloatArray, whole: float) -> ResidualShape | None:
    """Of opposite sign in both planes: another outline, or planes that were taken for each other."""
    if left.shape[1] != 2:
        return None
    return _opposite(
        0.5 * (left[:, 0] - left[:, 1]),
        whole,
        "the planes are off in opposite ways, as with another mouth or cabinet than the design's, wide where it is"
        " high, or with the planes' files taken for each other. Check both",
    )


def _sides(left: FloatArray, off_axis: FloatArray, whole: float) -> ResidualShape | None:
    """Of opposite sign at + and - the angle: a turntable's zero, or a mouth aside of the cabinet's middle."""
    plus = np.flatnonzero(off_axis > SAME_ANGLE)
    pairs = [(i, int(np.argmin(np.abs(off_axis + off_axis[i])))) for i in plus]
    pairs = [(i, j) for i, j in pairs if abs(off_axis[i] + off_axis[j]) < 1e-6]
    if not pairs:
        return None
    return _opposite(
        np.stack([0.5 * (left[:, :, i] - left[:, :, j]) for i, j in pairs]),
        whole,
        "both sides of the axis are off in opposite ways, as with a wrong angle 0, or a mouth aside of the cabinet's"
        " middle. Look at the turntable in session.json, and at where the mouth sits",
    )


def _opposite(half: FloatArray, whole: float, words: str) -> ResidualShape | None:
    """What is of opposite sign, from half of the differences."""
    share = float(np.nanmean(half**2) / whole) if np.any(np.isfinite(half)) else 0.0
    return None if share < SHARE else ResidualShape(share, words)


def _ripple(left: FloatArray, frequency: FloatArray, speed: float) -> ResidualShape | None:
    """Up and down over frequency evenly, at most angles with the same detour: edges, or a reflection in the gate."""
    rows = left.reshape(left.shape[0], -1)
    known = np.isfinite(rows).sum(axis=0) >= LEAST_ROWS
    if not np.any(known):
        return None
    explained = np.zeros(PATHS.size)
    total = 0.0
    for column in rows[:, known].T:
        mine = np.isfinite(column)
        values = column[mine] - column[mine].mean()
        turn = 2.0 * np.pi * np.outer(PATHS / speed, frequency[mine])
        both = np.stack([np.cos(turn), np.sin(turn)], axis=2)
        both -= both.mean(axis=1, keepdims=True)
        for i, one in enumerate(both):
            fit = np.linalg.lstsq(one, values, rcond=None)[0]
            explained[i] += float(np.sum((one @ fit) ** 2))
        total += float(np.sum(values**2))
    best = int(np.argmax(explained))
    share = explained[best] / max(total, 1e-300)
    if share < EVEN_SHARE:
        return None
    return ResidualShape(
        float(share),
        f"it ripples over frequency as a wave does that comes {PATHS[best]:.2f} m later: edges of a cabinet that the"
        " design does not have, or a reflection inside the gate. Add the cabinet to [mounting], or shorten the gate",
    )
