"""Tolerances of the hole that a driver sits in, by the system of limits and fits."""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

from evenflare.units import MILLIMETRE

_OVER_TO = (3.0, 6.0, 10.0, 18.0, 30.0, 50.0, 80.0, 120.0, 180.0, 250.0, 315.0, 400.0, 500.0)
"""mm, the upper ends of ranges of nominal size."""
_GRADES = {
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400),
    12: (100, 120, 150, 180, 210, 250, 300, 350, 400, 460, 520, 570, 630),
    13: (140, 180, 220, 270, 330, 390, 460, 540, 630, 720, 810, 890, 970),
    14: (250, 300, 360, 430, 520, 620, 740, 870, 1000, 1150, 1300, 1400, 1550),
}
"""Micrometres: ISO 286-1:2010, table 1, from memory; they follow its formulas within their rounding."""
_MICRO = 1e-3 * MILLIMETRE


class HoleFit(NamedTuple):
    """A hole H: nothing below its size, up to `width` (m) above it."""

    grade: int
    width: float

    @property
    def words(self) -> str:
        """As behind a diameter: "H10 (+0.140 / 0)"."""
        return f"H{self.grade} (+{self.width / MILLIMETRE:.3f} / 0)"


def hole_fit(size: float, kept: float) -> HoleFit | None:
    """The finest H that is no narrower than `kept`, the whole width that a process keeps; m.

    None where no grade from IT7 to IT14 is as wide, or the size is above 500 mm.
    Source: ISO 286-1:2010, hole basis, from memory.
    """
    size_mm = size / MILLIMETRE
    if size_mm > _OVER_TO[-1]:
        return None
    column = bisect_left(_OVER_TO, size_mm)
    # A last digit of a process' figure must not decide on a grade.
    return next(
        (
            HoleFit(grade, row[column] * _MICRO)
            for grade, row in _GRADES.items()
            if row[column] * _MICRO >= kept * (1.0 - 1e-9)
        ),
        None,
    )
