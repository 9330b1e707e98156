"""A wall as a machine or a foundry leaves it: the drawn one, moved along its normal, and scaled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from evenflare.waveguide.departure import WallDeviation as WallDeviation
from evenflare.waveguide.departure import shares_of as shares_of
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.moved import moved_along_normal, scaled
from evenflare.waveguide.waveguide import Waveguide


def deviated(waveguide: Waveguide, deviation: WallDeviation) -> Waveguide:
    """The waveguide with its wall as `deviation` says; driver and mounting stay.

    ValueError if that leaves no wall (later, when the wall is asked for), or for what cannot be made yet.
    """
    if deviation == WallDeviation():
        return waveguide
    shape = waveguide.shape
    if not (waveguide.is_round and deviation.is_round):
        raise ValueError("a wall that is not round cannot be moved yet")
    return replace(waveguide, shape=Deviated(shape, deviation))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Deviated:
    """A shape of a meridian, moved along its normal by a deviation that is alike all round."""

    family: ClassVar[str] = "deviated"
    shape: Shape
    deviation: WallDeviation

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        moved = moved_along_normal(self.shape, self.deviation, exit_radius=exit_radius)
        return scaled(moved, 1.0 + self.deviation.scale)
