"""The air of a waveguide as the march sees it, round or oblong: its sweep, its end, its elements."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Protocol

import numpy as np

from evenflare.radiation import elements, oblong, oblong_elements, wavefront
from evenflare.radiation.elements import EXTRA_POINTS, NODES, Elements, caps_of, divided
from evenflare.radiation.hemisphere import Hemisphere
from evenflare.radiation.modes import radial_quadrature, tabulated_modes
from evenflare.radiation.oblong_elements import OblongBasis
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.termination import Baffle, End, Sphere
from evenflare.radiation.wavefront import FLAT, Caps, Sweep
from evenflare.units import FloatArray, IntArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.surface import Surface


class Medium(Protocol):
    """The air of one waveguide, from the driver's exit to the last cap.

    sweep : the caps; end : what the last of them sees.
    """

    @property
    def sweep(self) -> Sweep: ...  # noqa: D102
    @property
    def end(self) -> End: ...  # noqa: D102

    def elements(self, part: Sweep, wavenumber: float, resolution: Resolution) -> tuple[Elements, FloatArray]:
        """The elements of a part of the sweep, for wavenumbers (rad/m) up to this, and the mean of each mode over the
        first cap: what averages pressure, and what an even motion excites.

        Errors: ArithmeticError if an element is folded.
        """
        ...

    def bytes_needed(self, part: Sweep, wavenumber: float, resolution: Resolution) -> int:
        """Of the matrices of those elements."""
        ...

    @property
    def throat_radius(self) -> float: ...  # noqa: D102


@dataclass(frozen=True)
class RoundMedium:
    """Of a round waveguide, in a baffle or on a sphere, to be met with `most` radial modes at most."""

    waveguide: Waveguide
    most: int

    @cached_property
    def sweep(self) -> Sweep:
        """See Medium."""
        return wavefront.sweep(self.waveguide)

    @cached_property
    def end(self) -> End:
        """See Medium."""
        meridian, radius = self.waveguide.meridian, self.waveguide.mounting.radius
        if radius is None:
            return Baffle(meridian.mouth_radius, meridian.depth)
        half_angle = float(np.arcsin(meridian.mouth_radius / radius))
        return Sphere(radius, half_angle, meridian.depth - radius * float(np.cos(half_angle)), self.most)

    @property
    def throat_radius(self) -> float:
        """See Medium."""
        return self.waveguide.meridian.throat_radius

    def elements(self, part: Sweep, wavenumber: float, resolution: Resolution) -> tuple[Elements, FloatArray]:
        """See Medium."""
        caps, modes = self._planned(part, wavenumber, resolution)
        return elements.assembled(caps, modes), mean_over_cap(float(caps.b[0, 0]), int(modes[0]))

    def bytes_needed(self, part: Sweep, wavenumber: float, resolution: Resolution) -> int:
        """See Medium."""
        return bytes_of(self._planned(part, wavenumber, resolution)[1])

    def _planned(self, part: Sweep, wavenumber: float, resolution: Resolution) -> tuple[Caps, IntArray]:
        caps = caps_of(divided(part, 2 * np.pi / wavenumber / resolution.steps, resolution.fineness))
        return caps, radial_modes_for(resolution, wavenumber, caps.r.max(axis=1))


@dataclass(frozen=True)
class OblongMedium:
    """Of an oblong waveguide in a baffle, on modes of a basis."""

    waveguide: Waveguide
    basis: OblongBasis

    @cached_property
    def sweep(self) -> Sweep:
        """See Medium."""
        return oblong.sweep(self.waveguide)

    @cached_property
    def end(self) -> End:
        """See Medium."""
        return Hemisphere(oblong.dome_radius(self.surface), self.surface.depth, self.basis)

    @property
    def surface(self) -> Surface:
        """The wall."""
        return self.waveguide.surface

    @property
    def throat_radius(self) -> float:
        """See Medium."""
        return self.surface.throat_radius

    def elements(self, part: Sweep, wavenumber: float, resolution: Resolution) -> tuple[Elements, FloatArray]:
        """See Medium."""
        divisions = divided(part, 2 * np.pi / wavenumber / resolution.steps, resolution.fineness)
        shells = oblong.joined(
            [oblong.domes(path, t, surface=self.surface, psi=self.basis.psi) for path, t in divisions]
        )
        modes = self._modes(shells.caps, wavenumber, resolution)
        mean = np.zeros(int(modes[0]))
        flat = self.basis.order[: mean.size] == 0
        mean[flat] = mean_over_cap(float(shells.caps.b[0, 0]), int(flat.sum()))
        return oblong_elements.assembled(shells, modes, basis=self.basis), mean

    def bytes_needed(self, part: Sweep, wavenumber: float, resolution: Resolution) -> int:
        """See Medium."""
        caps = caps_of(divided(part, 2 * np.pi / wavenumber / resolution.steps, resolution.fineness))
        return bytes_of(self._modes(caps, wavenumber, resolution))

    def _modes(self, caps: Caps, wavenumber: float, resolution: Resolution) -> IntArray:
        return self.basis.count(radial_modes_for(resolution, wavenumber, caps.r.max(axis=1)))


def medium(waveguide: Waveguide, finest: Resolution, wavenumber: float) -> Medium:
    """The air of a waveguide, to be solved at no finer a resolution up to a wavenumber, rad/m.

    Errors: ValueError if the wall cannot be swept.
    """
    if waveguide.is_round:
        radius = np.array([waveguide.meridian.mouth_radius])
        return RoundMedium(waveguide, int(radial_modes_for(finest, wavenumber, radius)[0]))
    radius = np.array([oblong.dome_radius(waveguide.surface)])
    most = int(radial_modes_for(finest, wavenumber, radius)[0])
    return OblongMedium(waveguide, OblongBasis(finest.azimuth_cost, most))


def radial_modes_for(resolution: Resolution, wavenumber: float, radius: FloatArray) -> IntArray:
    """How many radial modes elements of the largest radius (E,) have at a wavenumber."""
    return np.ceil(resolution.modes + resolution.modes_per_ka * wavenumber * radius).astype(np.int64)


def mean_over_cap(half_angle: float, modes: int) -> FloatArray:
    """(modes,) the mean of each round mode over a cap of that half-angle, rad."""
    b = max(half_angle, FLAT)
    u, weights = radial_quadrature(modes + EXTRA_POINTS)
    values, _ = tabulated_modes(modes, modes + EXTRA_POINTS)
    eta = np.sqrt(u)
    area = weights * np.sin(b * eta) / eta
    return np.asarray(area @ values / area.sum())


def bytes_of(modes: IntArray) -> int:
    """Of the stiffness and mass of elements with that many modes (E,)."""
    return int(8 * (NODES**2 + NODES) * np.sum(modes**2))


def available_memory() -> int:
    """Bytes that this machine can still give; where the system does not tell, no bound."""
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
    except OSError:
        return sys.maxsize
    return next((1024 * int(line.split()[1]) for line in lines if line.startswith("MemAvailable:")), sys.maxsize)
