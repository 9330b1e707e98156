"""The air of a waveguide as the march sees it, round or oblong: its sweep, its end, its elements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal, Protocol

import numpy as np

from evenflare.exterior.cabinets import Operator
from evenflare.exterior.memory import available_memory as available_memory
from evenflare.radiation import elements, ledge, oblong, oblong_elements, wavefront
from evenflare.radiation.elements import EXTRA_POINTS, NODES, Elements, caps_of
from evenflare.radiation.foreseen import Foreseen, plans
from evenflare.radiation.hemisphere import Hemisphere
from evenflare.radiation.in_cabinet import InCabinet
from evenflare.radiation.ledge import PROFILE_POINTS, Profile
from evenflare.radiation.modes import radial_quadrature, tabulated_modes, zernike
from evenflare.radiation.near_drawn import DrawnCaps, MovedCaps
from evenflare.radiation.oblong import along_walls
from evenflare.radiation.oblong_elements import OblongBasis, slope_over
from evenflare.radiation.on_sphere import OnSphere
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.stretched import OblongCaps, StretchedCaps
from evenflare.radiation.termination import Baffle, End, Sphere
from evenflare.radiation.wavefront import FLAT, Caps, Sweep
from evenflare.units import FloatArray, IntArray
from evenflare.waveguide import Mounting, Waveguide
from evenflare.waveguide.body import volume
from evenflare.waveguide.departure import Departure
from evenflare.waveguide.deviated import drawn_of, moved_alike
from evenflare.waveguide.moved_oblong import wall_of

LEAST_RADIUS = 1.1
"""Of the sphere that stands for a body, over the mouth's: the wall's angle has to come down to that of its rim."""

Axis = Literal["x", "y"]


class Medium(Protocol):
    """The air of one waveguide, from the driver's exit to the last cap.

    sweep : the caps; end : what the last of them sees.
    """

    @property
    def sweep(self) -> Sweep: ...  # noqa: D102
    @property
    def end(self) -> End: ...  # noqa: D102

    def elements(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Elements:
        """The elements of a part of the sweep, for wavenumbers (rad/m) up to this.

        Errors: ArithmeticError if an element is folded.
        """
        ...

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """Work out at once what elements up to each of these wavenumbers will ask of the wall, where that is quicker
        than one after the other.
        """
        ...

    def excited(self, part: Sweep, modes: int, profile: Profile | None) -> FloatArray:
        """(1, modes) the mean of each mode over the first cap of a part: what averages pressure, and what an even
        motion excites.

        profile : of the velocity of that cap: then (2, modes), the second row what that motion excites.
        """
        ...

    def modes(self, count: int) -> tuple[IntArray, IntArray]:
        """Azimuthal order, below 0 of a sine, and radial degree of the first `count` modes."""
        ...

    def bytes_needed(self, part: Sweep, wavenumber: float, resolution: Resolution) -> int:
        """Of the matrices of those elements."""
        ...

    @property
    def throat_radius(self) -> float: ...  # noqa: D102


@dataclass(frozen=True)
class RoundMedium:
    """Of a round waveguide, in a baffle or on a sphere, to be met with `most` radial modes at most, of one azimuthal
    order.
    """

    waveguide: Waveguide
    most: int
    operator: Operator | None = None
    order: int = 0

    @cached_property
    def sweep(self) -> Sweep:
        """See Medium."""
        return wavefront.sweep(self.waveguide)

    @cached_property
    def end(self) -> End:
        """See Medium."""
        meridian, radius = self.waveguide.meridian, self.waveguide.mounting.radius
        if radius is None:
            bare = Baffle(meridian.mouth_radius, meridian.depth, self.order)
            return bare if self.operator is None else InCabinet(bare, self.operator)
        half_angle = float(np.arcsin(meridian.mouth_radius / radius))
        return Sphere(radius, half_angle, meridian.depth - radius * float(np.cos(half_angle)), self.most, self.order)

    @property
    def throat_radius(self) -> float:
        """See Medium."""
        return self.waveguide.meridian.throat_radius

    def elements(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Elements:
        """See Medium."""
        return elements.assembled(*self._planned(part, wavenumber, resolution), order=self.order)

    @cached_property
    def _caps(self) -> Foreseen[Caps]:
        return Foreseen(lambda *asked: caps_of(plans(*asked)))

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """See Medium."""
        self._caps.every(part, wavenumbers, resolution)

    def excited(self, part: Sweep, modes: int, profile: Profile | None) -> FloatArray:
        """See Medium."""
        if part is not self.sweep:  # a launching cap knows nothing of the exit's edge
            return excited(first_cap(part)[1], modes, profile)
        reach = self.waveguide.driver.exit_radius / self.throat_radius
        if abs(reach - 1.0) * self.throat_radius > ledge.MET:
            if profile not in self._through:
                self._through[profile] = ledge.through_round(self._half_angle, self.most, profile, reach=reach)
            return self._through[profile][:, :modes]
        return excited(self._half_angle, modes, profile)

    @cached_property
    def _through(self) -> dict[Profile | None, FloatArray]:
        """By profile, for all modes: every band of frequencies has the first of them."""
        return {}

    @cached_property
    def _half_angle(self) -> float:
        """rad, of the first cap: every band of frequencies asks for it."""
        return first_cap(self.sweep)[1]

    def modes(self, count: int) -> tuple[IntArray, IntArray]:
        """See Medium."""
        return np.full(count, self.order, dtype=np.int64), np.arange(count, dtype=np.int64)

    def bytes_needed(self, part: Sweep, wavenumber: float, resolution: Resolution) -> int:
        """See Medium."""
        return bytes_of(self._planned(part, wavenumber, resolution)[1])

    def _planned(self, part: Sweep, wavenumber: float, resolution: Resolution) -> tuple[Caps, IntArray]:
        caps = self._caps.one(part, wavenumber, resolution)
        return caps, radial_modes_for(resolution, wavenumber, caps.r.max(axis=1))


@dataclass(frozen=True)
class OblongMedium:
    """Of an oblong waveguide in a baffle, or standing free, on modes of a basis."""

    waveguide: Waveguide
    basis: OblongBasis
    caps: OblongCaps
    operator: Operator | None = None

    @property
    def sweep(self) -> Sweep:
        """See Medium."""
        return self.caps.sweep

    @cached_property
    def end(self) -> End:
        """See Medium."""
        bare = Hemisphere(self.caps.dome, self.caps.depth, self.basis)
        if (radius := sphere_of(self.waveguide)) is not None:
            return OnSphere(bare, radius)
        return bare if self.operator is None else InCabinet(bare, self.operator)

    @property
    def throat_radius(self) -> float:
        """See Medium."""
        return self.caps.throat_radius

    def elements(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Elements:
        """See Medium."""
        shells = self.caps.shells(part, wavenumber, resolution)
        return oblong_elements.assembled(shells, self._modes(shells.caps, wavenumber, resolution), basis=self.basis)

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """See Medium."""
        self.caps.foreseen(part, wavenumbers, resolution)

    def excited(self, part: Sweep, modes: int, profile: Profile | None) -> FloatArray:
        """See Medium."""
        if part is self.sweep and self._off_exit > ledge.MET:
            if profile not in self._through:
                self._through[profile] = self._through_ledge(profile)
            return self._through[profile][:, :modes]
        # The exit is round, so that only modes of order 0 know of it.
        round_modes = self.basis.order[:modes] == 0
        of_round = excited(first_cap(part)[1], int(round_modes.sum()), profile)
        sources = np.zeros((len(of_round), modes))
        sources[:, round_modes] = of_round
        return sources

    @cached_property
    def _off_exit(self) -> float:
        return self.caps.off_exit(self.waveguide.driver.exit_radius)

    @cached_property
    def _through(self) -> dict[Profile | None, FloatArray]:
        """By profile, for all modes: every band of frequencies has the first of them."""
        return {}

    def _through_ledge(self, profile: Profile | None) -> FloatArray:
        psi = self.basis.psi
        return ledge.through_oblong(
            self.caps.first,
            (self.basis.order, self.basis.degree),
            profile,
            psi=psi,
            slope=slope_over(psi.size),
            radius=self.waveguide.driver.exit_radius,
        )

    def modes(self, count: int) -> tuple[IntArray, IntArray]:
        """See Medium."""
        order = self.basis.order[:count]
        return (-order if self.basis.sine else order), self.basis.degree[:count]

    def bytes_needed(self, part: Sweep, wavenumber: float, resolution: Resolution) -> int:
        """See Medium."""
        return bytes_of(self._modes(self.caps.shells(part, wavenumber, resolution).caps, wavenumber, resolution))

    def _modes(self, caps: Caps, wavenumber: float, resolution: Resolution) -> IntArray:
        return self.basis.count(radial_modes_for(resolution, wavenumber, caps.r.max(axis=1)))


def medium(
    waveguide: Waveguide,
    finest: Resolution,
    wavenumber: float,
    *,
    odd_in: Axis | None = None,
    operator: Operator | None = None,
) -> Medium:
    """The air of a waveguide, to be solved at no finer a resolution up to a wavenumber, rad/m.

    odd_in   : the axis across which the sound is odd, of azimuthal order 1 in a round waveguide, where "y" is "x"
               turned by a right angle; None: it is even about both planes, and of order 0 in a round one.
    operator : of the cabinet in whose front the mouth is, which otherwise stands in a baffle.
    Errors: ValueError if the wall cannot be swept.
    """
    if waveguide.is_round:
        radius = np.array([waveguide.meridian.mouth_radius])
        most = int(radial_modes_for(finest, wavenumber, radius)[0])
        return RoundMedium(in_a_sphere(waveguide), most, operator, order=0 if odd_in is None else 1)
    basis, caps = _made(waveguide, finest, wavenumber, odd_in) or _oblong_caps(waveguide, finest, wavenumber, odd_in)
    return OblongMedium(waveguide, basis, caps, operator)


def _made(
    waveguide: Waveguide, finest: Resolution, wavenumber: float, odd_in: Axis | None
) -> tuple[OblongBasis, OblongCaps] | None:
    """Of a wall as made by the caps of the drawn one; None where that is not near enough."""
    deviation, drawn = moved_alike(waveguide), drawn_of(waveguide)
    if deviation is None or drawn is None or waveguide.mounting.body is not None or along_walls(drawn).wavy:
        return None
    basis, caps = _drawn_caps(drawn, finest, wavenumber, odd_in)
    moved = MovedCaps(caps, Departure(deviation, caps.wall.drawn))
    return (basis, moved) if caps.is_gentle and moved.has_room else None


@lru_cache(maxsize=2)
def _oblong_caps(
    waveguide: Waveguide, finest: Resolution, wavenumber: float, odd_in: Axis | None
) -> tuple[OblongBasis, StretchedCaps]:
    """Kept, for walls as made ask for those of the drawn one again."""
    dome = oblong.dome_radius(waveguide.surface)
    most = int(radial_modes_for(finest, wavenumber, np.array([dome]))[0])
    basis = OblongBasis(finest.azimuth_cost, most, int(odd_in is not None), odd_in == "y")
    return basis, StretchedCaps(waveguide, dome, basis.psi)


@lru_cache(maxsize=2)
def _drawn_caps(
    drawn: Waveguide, finest: Resolution, wavenumber: float, odd_in: Axis | None
) -> tuple[OblongBasis, DrawnCaps]:
    basis, caps = _oblong_caps(drawn, finest, wavenumber, odd_in)
    return basis, DrawnCaps(caps, wall_of(drawn.surface, drawn.driver.exit_radius))


def in_a_sphere(waveguide: Waveguide) -> Waveguide:
    """A round waveguide that stands free, in the rigid sphere that comes nearest to its body: of the same volume, its
    surface meeting the rim, and a little wider than the mouth at least. Any other as it is.
    """
    if waveguide.mounting.kind != "free_standing":
        return waveguide
    equal = np.cbrt(0.75 * volume(waveguide.outside) / np.pi)
    radius = max(float(equal), LEAST_RADIUS * waveguide.meridian.mouth_radius)
    return replace(waveguide, mounting=Mounting(radius))


def sphere_of(waveguide: Waveguide) -> float | None:
    """m, the radius of the rigid sphere for which the march takes the body of a waveguide that stands free: of the same
    volume. None where there is no body.
    """
    if waveguide.mounting.body is None:
        return None
    if waveguide.is_round:
        return in_a_sphere(waveguide).mounting.radius
    body = waveguide.oblong_body
    assert body is not None  # it has one
    return float(np.cbrt(0.75 * body.volume / np.pi))


def radial_modes_for(resolution: Resolution, wavenumber: float, radius: FloatArray) -> IntArray:
    """How many radial modes elements of the largest radius (E,) have at a wavenumber."""
    return np.ceil(resolution.modes + resolution.modes_per_ka * wavenumber * radius).astype(np.int64)


def first_cap(part: Sweep) -> tuple[float, float]:
    """Radius, m, and half-angle, rad, of the cap that a part of the sweep begins with."""
    caps = part[0].path.caps(part[0].t[:1])
    return float(caps.r[0]), float(caps.b[0])


def excited(half_angle: float, modes: int, profile: Profile | None) -> FloatArray:
    """(1, modes) the mean of each round mode over a cap of that half-angle, rad, or (2, modes) with its mean weighted
    by a velocity profile.
    """
    b = max(half_angle, FLAT)
    u, weights = radial_quadrature(modes + EXTRA_POINTS)
    values, _ = tabulated_modes(modes, modes + EXTRA_POINTS, 0)
    eta = np.sqrt(u)
    area = weights * np.sin(b * eta) / eta
    mean = np.asarray(area @ values / area.sum())
    if profile is None:
        return mean[None]
    u, weights = radial_quadrature(PROFILE_POINTS)
    eta = np.sqrt(u)
    moved = weights * np.sin(b * eta) / eta * profile(np.sin(b * eta) / np.sin(b))
    return np.stack([mean, moved @ zernike(0, modes, u)[0] / moved.sum()])


def bytes_of(modes: IntArray) -> int:
    """Of the stiffness and mass of elements with that many modes (E,)."""
    return int(8 * (NODES**2 + NODES) * np.sum(modes**2))
