"""Angles that a run should have and has not."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from evenflare.units import DEGREE, FloatArray

SAME_ANGLE = 0.05 * DEGREE
"""rad, within which two steps are alike."""
REGULAR = 0.6
"""Share of the steps that must be alike for a wider one to be a gap."""
MOST = 3
"""Missing angles in one gap: a wider one was left on purpose."""


def missing_angles(off_axis: FloatArray) -> FloatArray:
    """Angles (M,), rad, that lie in gaps of an otherwise even run (A,), or on one side only of a run over both."""
    angle = np.sort(off_axis)
    if angle.size < 4:
        return np.zeros(0)
    step = np.diff(angle)
    usual = float(np.median(step))
    missing: list[float] = []
    if np.mean(np.abs(step - usual) < SAME_ANGLE) >= REGULAR:
        # The gap behind counts where it is one of a run all round.
        around = float(angle[0] + 2.0 * np.pi - angle[-1])
        starts, steps = [*angle[:-1]], [*step]
        if around < (MOST + 1.5) * usual and around > 1.5 * usual:
            starts, steps = [*starts, angle[-1]], [*steps, around]
        for start, wide in zip(starts, steps, strict=True):
            count = round(wide / usual)
            if 1 < count <= MOST + 1 and abs(wide - count * usual) < SAME_ANGLE * count:
                missing += [start + index * usual for index in range(1, count)]
    if np.any(angle < -SAME_ANGLE) and np.any(angle > SAME_ANGLE):
        sides = [angle[(sign * angle > SAME_ANGLE) & (np.abs(angle) < np.pi - SAME_ANGLE)] for sign in (1, -1)]
        for own, other in (sides, sides[::-1]):
            alone = [a for a in own if np.all(np.abs(other + a) > SAME_ANGLE)]
            if len(alone) <= MOST:
                missing += [-a for a in alone]
    turned = [(a + np.pi) % (2.0 * np.pi) - np.pi for a in missing]
    turned = [np.pi if abs(a + np.pi) < SAME_ANGLE else a for a in turned]
    found: list[float] = []
    for a in sorted(turned):
        if all(abs(a - b) > SAME_ANGLE for b in found) and np.all(np.abs(off_axis - a) > SAME_ANGLE):
            found.append(float(a))
    return np.array(found)


class Missing(NamedTuple):
    """A reading that lacks: rad, and what its file would be called."""

    azimuth: float
    off_axis: float
    file: str


def missing_readings(azimuth: float, off_axis: FloatArray, files: Sequence[str]) -> tuple[Missing, ...]:
    """Those of a plane (A,) whose files are named so."""
    return tuple(Missing(azimuth, float(a), _name(a, off_axis, files)) for a in missing_angles(off_axis))


def missing_words(plane: str, gone: Sequence[Missing]) -> list[str]:
    """What is missing of a plane, in words."""
    if not gone:
        return []
    degrees = ", ".join(f"{each.off_axis / DEGREE:.4g}" for each in gone)
    be, it = ("is", "it") if len(gone) == 1 else ("are", "them")
    return [
        f"{plane}: {degrees} degrees {be} missing in a run that is otherwise even: measure {it}, as"
        f" {', '.join(each.file for each in gone)}"
    ]


def _name(angle: float, off_axis: FloatArray, files: Sequence[str]) -> str:
    """What the file would be called, after the manner of the nearest one."""
    near = int(np.argmin(np.abs(off_axis - angle)))
    own, wanted = off_axis[near] / DEGREE, angle / DEGREE
    for form in ("{:+g}", "{:g}", "{:+.1f}", "{:.1f}", "{:03.0f}"):
        text = form.format(round(own, 4))
        at = re.search(rf"(?<![\d.]){re.escape(text)}(?![\d])", files[near])
        if at:
            return files[near][: at.start()] + form.format(round(wanted, 4)) + files[near][at.end() :]
    return f"the reading at {wanted:.4g} degrees"
