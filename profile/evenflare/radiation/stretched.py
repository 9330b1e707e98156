"""The caps of an oblong waveguide at the nodes of elements, for several bands of frequencies at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

from evenflare.radiation import oblong
from evenflare.radiation.foreseen import Foreseen, plans
from evenflare.radiation.oblong import Domes
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.wavefront import Sweep
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide


class OblongCaps(Protocol):
    """What an oblong medium asks of the wall.

    sweep : the caps; first : that at the throat, alone; dome, depth, throat_radius : m, of the last one and its place,
    and of the throat, see Surface.
    """

    @property
    def sweep(self) -> Sweep: ...  # noqa: D102
    @property
    def first(self) -> Domes: ...  # noqa: D102
    @property
    def dome(self) -> float: ...  # noqa: D102
    @property
    def depth(self) -> float: ...  # noqa: D102
    @property
    def throat_radius(self) -> float: ...  # noqa: D102

    def off_exit(self, radius: float) -> float:
        """See Surface."""
        ...

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """See Medium."""
        ...

    def shells(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Domes:
        """(E, 4) at the nodes of the elements of a part of the sweep, for wavenumbers (rad/m) up to this."""
        ...


@dataclass(frozen=True)
class StretchedCaps:
    """Of a wall itself. See OblongCaps.

    psi : (P,) rad, at which sections are sampled.
    """

    waveguide: Waveguide
    dome: float
    psi: FloatArray

    @cached_property
    def sweep(self) -> Sweep:
        """See OblongCaps."""
        return oblong.sweep(self.waveguide, self.dome)

    @cached_property
    def first(self) -> Domes:
        """See OblongCaps."""
        start = self.sweep[0]
        return oblong.domes(start.path, start.t[:1], surface=self.waveguide.surface, psi=self.psi)

    @property
    def depth(self) -> float:
        """See OblongCaps."""
        return self.waveguide.surface.depth

    @property
    def throat_radius(self) -> float:
        """See OblongCaps."""
        return self.waveguide.surface.throat_radius

    def off_exit(self, radius: float) -> float:
        """See OblongCaps."""
        return self.waveguide.surface.off_exit(radius)

    @cached_property
    def _shells(self) -> Foreseen[Domes]:
        return Foreseen(self._worked_out)

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """See Medium."""
        self._shells.every(part, wavenumbers, resolution)

    def shells(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Domes:
        """See OblongCaps."""
        return self._shells.one(part, wavenumber, resolution)

    def _worked_out(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> list[Domes]:
        every = plans(part, wavenumbers, resolution)
        return oblong.shells(every, surface=self.waveguide.surface, psi=self.psi)
