"""A flat piston in any flat face of a cabinet.

What a piston that moves evenly in a baffle sends out is known in waves about its middle, so the field around the box is
the box's answer to them, exactly: a piston's motion is given, whatever the edges send back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import spherical_jn

from evenflare.exterior.cabinets import Solved, operators_of, top_wavenumber
from evenflare.exterior.operator import Opening
from evenflare.exterior.waves import Waves, all_waves, angular, polar, radial
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray
from evenflare.waveguide.cabinet import TOUCH, Cabinet
from evenflare.waveguide.faces import FlatFace, Side, Way, clearance, looking
from evenflare.waveguide.solid import AnyCabinet

NODES = 48
"""Of the rule over a piston's radius: exact to rounding up to a hundred radians."""
ASKEW = 1e-5
"""rad that a face may look aside by the rounding of a file, and count as looking straight."""


@dataclass(frozen=True)
class Piston:
    """A flat, rigid, round piston.

    cabinet : where its waveguide's mouth sits counts for nothing here.
    face    : in which it moves: the side, or the direction (x right, y up, z forward), that the face looks to.
    x, y    : m, of its middle from the face's, right and up as seen by one who looks at that face.
    radius  : m.
    which   : of several flat faces that look that way, counted from the largest.
    Errors  : ValueError, which names the keys of a loudspeaker's file, unless it fits on the flat of the face, or if no
              flat face looks that way.
    """

    cabinet: AnyCabinet
    face: Side | Way
    x: float
    y: float
    radius: float
    which: int = 0

    def __post_init__(self) -> None:
        try:
            seat = self.seat
        except ValueError as error:
            raise ValueError(f"face = {self._face_words}: {error}") from error
        if isinstance(self.cabinet, Cabinet):
            self._check_box(seat)
            return
        near = clearance(self.cabinet, self.place, seat.turn[2])
        room = min(seat.room(self.x, self.y), near)
        if self.radius > room + 1e-9:
            least, most = seat.outline.reshape(-1, 2).min(axis=0), seat.outline.reshape(-1, 2).max(axis=0)
            reaches = " and ".join(
                f"from {low:.4g} to {high:.4g} mm {way}"
                for low, high, way in zip(
                    least / MILLIMETRE, most / MILLIMETRE, ("to its right", "upward"), strict=True
                )
            )
            remedy = f"Make it {math.floor(1e4 * room + 1e-3) / 10:g} at most, or move it" if room > 1e-3 else "Move it"
            raise ValueError(
                f"piston_radius_mm = {self.radius / MILLIMETRE:g}: does not fit on the flat face {self._face_words} at"
                f" x_mm = {self.x / MILLIMETRE:.4g}, y_mm = {self.y / MILLIMETRE:.4g} from its middle; it reaches"
                f" {reaches}. {remedy} to where the face is wider and nothing else is near"
            )

    @cached_property
    def seat(self) -> FlatFace:
        """The face. ValueError if there is none."""
        return looking(self.cabinet, self.face)[self.which]

    @property
    def _face_words(self) -> str:
        return f'"{self.face}"' if isinstance(self.face, str) else str([round(each, 4) for each in self.face])

    def _check_box(self, seat: FlatFace) -> None:
        low, high = seat.outline.reshape(-1, 2).min(axis=0), seat.outline.reshape(-1, 2).max(axis=0)
        for key, place, least, most in zip(("x_mm", "y_mm"), (self.x, self.y), low, high, strict=True):
            room = float(min(most - place, place - least))
            if self.radius > room + 1e-9:
                remedy = f"Make it {room / MILLIMETRE:.4g} at most, or move" if room > 1e-9 else "Move"
                raise ValueError(
                    f"piston_radius_mm = {self.radius / MILLIMETRE:g}: does not fit on the flat of the"
                    f" {self.face if isinstance(self.face, str) else f'face {self._face_words}'}, at {key} ="
                    f" {place / MILLIMETRE:g} from its middle. {remedy} it toward the middle"
                )

    @property
    def place(self) -> FloatArray:
        """(3,) m, of its middle from the cabinet's, in the cabinet's axes."""
        return self.seat.place(self.x, self.y)

    @property
    def opening(self) -> Opening:
        """What the cabinet is solved for: it serves any piston with that middle."""
        x, y, z = self.place.tolist()
        radius = self.seat.room(self.x, self.y)
        if not isinstance(self.cabinet, Cabinet):
            radius = min(radius, clearance(self.cabinet, self.place, self.seat.turn[2]))
        right, up, ahead = ((a, b, c) for a, b, c in self.seat.turn.tolist())
        return Opening((x, y, z), radius, True, (right, up, ahead))

    @property
    def is_upright(self) -> bool:
        """Whether left and right of the cabinet hear it alike."""
        alike = isinstance(self.cabinet, Cabinet) or 0 in self.cabinet.solid.mirrors
        return alike and bool(abs(self.place[0]) < TOUCH and abs(self.seat.turn[2, 0]) < ASKEW)


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

    around : for each wavenumber (L,) outgoing waves about the cabinet's middle.
    """

    piston: Piston
    wavenumber: FloatArray
    around: tuple[ComplexArray, ...]

    def far(self, direction: FloatArray) -> ComplexArray:
        """(K, D) the limit of p r exp(j k r), r from the piston's middle, toward unit vectors (D, 3). Pa m."""
        waves = self._waves
        seen, ahead = angular(direction, waves), direction @ self.piston.place
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
        seen = angular(from_middle / distance[:, None], waves)
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
    pistons: Sequence[Piston],
    wavenumbers: Sequence[FloatArray],
    *,
    cores: int = 1,
    progress: Callable[[Solved], None] | None = None,
) -> list[PistonField]:
    """Those of pistons in one cabinet, each at those of its own wavenumbers (K,), rad/m, that can be solved: see
    `operators_of`.

    ValueError if none can.
    """
    top = top_wavenumber(pistons[0].cabinet)
    if not all(each[0] <= top for each in wavenumbers):
        raise ValueError("no frequency is low enough for so large a cabinet to be solved")
    asked = [(each.opening, wavenumber) for each, wavenumber in zip(pistons, wavenumbers, strict=True)]
    found = operators_of(pistons[0].cabinet, asked, cores=cores, progress=progress)
    return [
        PistonField(
            piston,
            each.wavenumber,
            tuple(
                response.far @ piston_waves(k, piston.radius, response.mouth)
                for k, response in zip(each.wavenumber, each.responses, strict=True)
            ),
        )
        for piston, each in zip(pistons, found, strict=True)
    ]
