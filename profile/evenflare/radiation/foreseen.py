"""What elements ask of a wall, worked out for several bands of frequencies at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

import numpy as np

from evenflare.radiation.elements import Plan, divided
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.wavefront import Sweep

Found = TypeVar("Found")


class Foreseen(Generic[Found]):
    """What is found along parts of a sweep, kept: a wall is asked for few points, hundreds of times, so that many take
    hardly longer than some.

    work : finds it for elements up to each of several wavenumbers, rad/m.
    """

    def __init__(self, work: Callable[[Sweep, Sequence[float], Resolution], list[Found]]) -> None:
        self._work = work
        self._known: list[tuple[Sweep, float, Resolution, Found]] = []

    def every(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """Find it for elements up to each of these, unless that has been done."""
        if self._kept(part, wavenumbers[0], resolution) is None:
            found = self._work(part, wavenumbers, resolution)
            self._known.extend((part, k, resolution, each) for k, each in zip(wavenumbers, found, strict=True))

    def one(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Found:
        """Of elements up to that wavenumber."""
        kept = self._kept(part, wavenumber, resolution)
        return self._work(part, [wavenumber], resolution)[0] if kept is None else kept

    def _kept(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Found | None:
        for known, *asked, found in self._known:
            if known is part and asked == [wavenumber, resolution]:
                return found
        return None


def plans(part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> list[Plan]:
    """How a part of a sweep is divided for wavenumbers (rad/m) up to each of these."""
    return [divided(part, 2 * np.pi / each / resolution.steps, resolution.fineness) for each in wavenumbers]
