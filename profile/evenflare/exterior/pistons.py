"""A flat piston in any face of a cabinet: the box is turned so that the face looks forward, and solved as for a mouth.

What a piston that moves evenly in a baffle sends out is known in waves about its middle, so the field around the box is
the box's answer to them, exactly: a piston's motion is given, whatever the edges send back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import spherical_jn

from evenflare.exterior.cabinets import Solved, operator_of, top_wavenumber
from evenflare.exterior.waves import Waves, all_waves, angular, polar, radial
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray, read_only
from evenflare.waveguide.cabinet import Cabinet
from evenflare.waveguide.solid import AnyCabinet, SolidCabinet

Face = Literal["front", "back", "left", "right", "top", "bottom"]
FACES: dict[Face, FloatArray] = {
    "front": read_only(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])),
    "back": read_only(np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, -1.0]])),
    "left": read_only(np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])),
    "right": read_only(np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])),
    "top": read_only(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])),
    "bottom": read_only(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])),
}
"""What lies to the right, above, and ahead of a face for one who looks at it, in the cabinet's axes: x right, y up, z
forward, as one sees it who looks at the front. A turn each, from the cabinet's axes to the face's."""
NODES = 48
"""Of the rule over a piston's radius: exact to rounding up to a hundred radians."""


@dataclass(frozen=True)
class Piston:
    """A flat, rigid, round piston.

    cabinet : where its waveguide's mouth sits counts for nothing here. One that is no box has its front only.
    face    : in which it moves.
    x, y    : m, of its middle from the face's, right and up as seen by one who looks at that face.
    radius  : m.
    Errors  : ValueError, which names the keys of a loudspeaker's file, unless it fits on the flat of the face, or if a
              box turned that way has edges that a cabinet cannot have.
    """

    cabinet: AnyCabinet
    face: Face
    x: float
    y: float
    radius: float

    def __post_init__(self) -> None:
        if not isinstance(self.cabinet, Cabinet):
            self._check_solid(self.cabinet)
            return
        if self.face != "front" and self.cabinet.front_edge != self.cabinet.edge:
            raise ValueError(
                f'face = "{self.face}": must be "front" where the front has edges of its own. Remove'
                " front_edge_radius_mm or front_edge_chamfer_mm from the cabinet, or move the way to the front"
            )
        turned = self._turned_box(self.cabinet)
        sizes = (turned.width, "x_mm", self.x), (turned.height, "y_mm", self.y)
        for room, (size, key, place) in zip(turned.flat, sizes, strict=True):
            if self.radius > room + 1e-9:
                largest = 0.5 * size - turned.front_edge.size - abs(place)
                remedy = f"Make it {largest / MILLIMETRE:.4g} at most, or move" if largest > 0.0 else "Move"
                raise ValueError(
                    f"piston_radius_mm = {self.radius / MILLIMETRE:g}: does not fit on the flat of the {self.face}, at"
                    f" {key} = {place / MILLIMETRE:g} from its middle. {remedy} it toward the middle"
                )

    @property
    def turn(self) -> FloatArray:
        """(3, 3) from the cabinet's axes to the face's."""
        return FACES[self.face]

    @property
    def turned(self) -> AnyCabinet:
        """The cabinet with the face as its front, and the piston's middle where a mouth's would be."""
        if isinstance(self.cabinet, Cabinet):
            return self._turned_box(self.cabinet)
        return replace(self.cabinet, x=self.x, y=self.y)

    def _turned_box(self, cabinet: Cabinet) -> Cabinet:
        width, height, depth = np.abs(self.turn) @ [cabinet.width, cabinet.height, cabinet.depth]
        return replace(cabinet, width=width, height=height, depth=depth, x=self.x, y=self.y)

    def _check_solid(self, cabinet: SolidCabinet) -> None:
        if self.face != "front":
            raise ValueError(
                f'face = "{self.face}": must be "front" in a cabinet of solid_stl, whose other faces may be of any'
                " shape. Move the way to the front"
            )
        room = replace(cabinet, x=self.x, y=self.y).nearest_edge
        if self.radius > room + 1e-9:
            remedy = f"Make it {np.floor(1e4 * room) / 10:g} at most, or move it" if room > 0.0 else "Move it"
            raise ValueError(
                f"piston_radius_mm = {self.radius / MILLIMETRE:g}: does not fit on the flat front at x_mm ="
                f" {self.x / MILLIMETRE:g}, y_mm = {self.y / MILLIMETRE:g} from its middle. {remedy} to where the front"
                " is wider"
            )

    @property
    def place(self) -> FloatArray:
        """(3,) m, of its middle from the cabinet's, in the cabinet's axes."""
        return np.asarray(self.turn.T @ self.turned.centre)

    @property
    def is_upright(self) -> bool:
        """Whether left and right of the cabinet hear it alike."""
        if isinstance(self.turned, SolidCabinet):
            return self.turned.symmetry != "none"
        return self.x == 0.0 and self.face not in ("left", "right")


def piston_waves(wavenumber: float, radius: float, waves: Waves) -> ComplexArray:
    """(W,) of outgoing waves about its middle, n even and m = 0, that a piston in a baffle sends beyond its rim.

    Its volume acceleration makes 1 Pa m far on axis in the baffle: the mean of exp(-jkR) / R over its face.
    Source: the addition theorem of exp(-jkR) / R, Abramowitz & Stegun (1964), 10.1.45 and 10.1.46, over the disc.
    """
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    share = 0.5 * (nodes + 1.0)
    degree = waves.degree
    inner = spherical_jn(degree[:, None], wavenumber * radius * share) @ (weights * share)
    at_rest = polar(np.zeros(1), int(degree.max()), 0)[0][0, degree]
    return np.asarray(-1j * wavenumber * (2 * degree + 1) * at_rest * inner)


@dataclass(frozen=True)
class PistonField:
    """What a piston sends around its cabinet at rising wavenumbers (K,), rad/m: 1 Pa m far on axis in a baffle.

    around : for each wavenumber (L,) outgoing waves about the cabinet's middle, in the face's axes.
    """

    piston: Piston
    wavenumber: FloatArray
    around: tuple[ComplexArray, ...]

    def far(self, direction: FloatArray) -> ComplexArray:
        """(K, D) the limit of p r exp(j k r), r from the piston's middle, toward unit vectors (D, 3). Pa m."""
        waves = self._waves
        seen, ahead = angular(direction @ self.piston.turn.T, waves), direction @ self.piston.place
        result = np.empty((self.wavenumber.size, len(direction)), dtype=np.complex128)
        for row, k, each in zip(result, self.wavenumber, self.around, strict=True):
            turned = 1j ** (waves.degree[: each.size] + 1) / k
            # From the middle of the box to the piston's.
            row[:] = (seen[:, : each.size] @ (turned * each)) * np.exp(-1j * k * ahead)
        return result

    def pressure_at(self, place: FloatArray) -> ComplexArray:
        """(K, D) Pa at places (D, 3), m, from the piston's middle. ValueError for one inside the ball about the box."""
        waves = self._waves
        from_middle = place + self.piston.place
        distance = np.linalg.norm(from_middle, axis=1)
        if np.any(distance < self.piston.cabinet.reach):
            raise ValueError(
                f"{float(distance.min()):.3g} m from the cabinet's middle: must be at least"
                f" {self.piston.cabinet.reach:.3g}, outside the ball that holds it"
            )
        seen = angular(from_middle @ self.piston.turn.T / distance[:, None], waves)
        result = np.empty((self.wavenumber.size, len(place)), dtype=np.complex128)
        for row, k, each in zip(result, self.wavenumber, self.around, strict=True):
            degree = waves.degree[: each.size]
            h, _ = radial(k * distance, int(degree.max()), outgoing=True)
            row[:] = (seen[:, : each.size] * h[:, degree]) @ each
        return result

    @property
    def _waves(self) -> Waves:
        """As many as any wavenumber has; lists of fewer are the first of them."""
        return all_waves(int(np.sqrt(max(each.size for each in self.around))) - 1)


def radiated(
    piston: Piston, wavenumber: FloatArray, *, cores: int = 1, progress: Callable[[Solved], None] | None = None
) -> PistonField:
    """The piston's at those of the wavenumbers (K,), rad/m, that can be solved: see `operator_of`.

    ValueError if none can.
    """
    if not wavenumber[0] <= top_wavenumber(piston.turned):
        raise ValueError("no frequency is low enough for so large a cabinet to be solved")
    found = operator_of(piston.turned, wavenumber, is_round=True, cores=cores, progress=progress)
    around = tuple(
        each.far @ piston_waves(k, piston.radius, each.mouth)
        for k, each in zip(found.wavenumber, found.responses, strict=True)
    )
    return PistonField(piston, found.wavenumber, around)
