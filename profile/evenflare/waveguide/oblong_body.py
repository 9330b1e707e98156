"""The outside of a free-standing waveguide whose mouth is not round: a rolled shell that follows the mouth.

Through each point of the rim goes a plane along the axis and across the rim. In it the outside is the shell's outline
around a rim as far out as the mouth's tangent is there. All of these together are the film that one would stretch over
a tube around the rim and a round disc, the back: it is convex, and no crease runs where its stretches meet.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, NamedTuple, get_args

import numpy as np
from scipy.spatial import cKDTree

from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide.body import SMALLEST_ROUNDING, RolledShell, Taper, taper
from evenflare.waveguide.meridian import TOUCH
from evenflare.waveguide.surface import Surface
from evenflare.words import at_least_mm, at_most_mm, mm

ROOM = 2 * MILLIMETRE
"""Between wall and outside at least: thinner than any shell that is made (common practice, no source); but
NEAR_RIM of the way to the rim, where both meet."""
NEAR_RIM = 0.1
AROUND = 33
"""Points around a quarter of the body on which it is looked whether it fits, and
ALONG over each of its stretches."""
ALONG = 17
FOLDED = 1e-9
"""m, by which the line about which the back's edge turns may run back: rounding."""
HALVINGS = 16
_QUARTER = 0.5 * np.pi

Stretch = Literal["rim", "taper", "edge", "back"]


class Rim(NamedTuple):
    """The mouth's rim at parameters psi, arrays (...).

    across : (..., 2) unit, outward and across the rim.
    out    : m, of the rim's place along that, and
    aside  : m, along `along`, a quarter turn on from it.
    """

    across: FloatArray
    out: FloatArray
    aside: FloatArray

    @property
    def along(self) -> FloatArray:
        """(..., 2) unit, along the rim."""
        return np.stack([-self.across[..., 1], self.across[..., 0]], axis=-1)


def rim_of(surface: Surface, psi: FloatArray) -> Rim:
    """The rim of a mouth at elliptic parameters psi (...), 0 to pi/2 rad."""
    mouth = surface.mouth
    curve = surface.section.curve(np.full_like(psi, mouth.depth), psi, mouth=mouth, bends=False)
    across = np.stack([mouth.half_height * curve.y_t, -mouth.half_width * curve.x_t], axis=-1)
    across = across / np.linalg.norm(across, axis=-1, keepdims=True)
    x, y = mouth.half_width * curve.x, mouth.half_height * curve.y
    return Rim(across, x * across[..., 0] + y * across[..., 1], y * across[..., 0] - x * across[..., 1])


@dataclass(frozen=True)
class OblongBody:
    """A shell round an oblong waveguide; z counts from the throat plane.

    Errors: ValueError, which names the key of the design file and a value that does, if it does not fit round the wall
            or folds.
    """

    surface: Surface
    shell: RolledShell

    def __post_init__(self) -> None:
        widest = max(self.surface.mouth.half_width, self.surface.mouth.half_height)
        # What holds for any round rim: the seat behind the throat, and that the rim's arc ends before the back.
        replace(self.shell, back_edge_radius=0.0).pieces((self.surface.depth, widest), self.surface.depth)
        self._check_edge()
        self._check_room()

    @property
    def back(self) -> float:
        """m, z of the back."""
        return -self.shell.back_depth

    def section(self, z: float | FloatArray, psi: FloatArray) -> FloatArray:
        """(..., 2) m, where heights z (m, back to mouth plane) cut the outlines at parameters psi (...): points of a
        closed convex curve, of one height, whose normals point across the rim. Arrays broadcast.
        """
        straight = self._taper(rim_of(self.surface, psi))
        radius, edge = self.shell.rim_radius, self.shell.back_edge_radius
        angle, begin, end = straight.angle, straight.begin[0], straight.end[0]
        on_rim, on_edge = _heading(z - self.surface.depth + radius, radius), _heading(z - self.back - edge, edge)
        shares: list[tuple[Stretch, FloatArray]] = [
            ("rim", (on_rim - _QUARTER) / (angle - _QUARTER)),
            ("taper", (begin - z) / (begin - end)),
            ("edge", (on_edge - angle) / (3 * _QUARTER - angle)),
        ]
        cut = [self.point_at(stretch, psi, np.clip(v, 0.0, 1.0))[0][..., :2] for stretch, v in shares]
        return np.asarray(np.select([(z >= begin)[..., None], (z >= end)[..., None]], cut[:2], cut[2]))

    def widest(self, psi: FloatArray) -> FloatArray:
        """(..., 3) m, where at parameters psi (...) the normal points straight away from the axis."""
        return self.facing(2.0 * _QUARTER, psi)

    def facing(self, heading: float | FloatArray, psi: FloatArray) -> FloatArray:
        """(..., 3) m, where the outlines at parameters psi (...) run at headings, rad, a quarter to three quarters of a
        turn, so that the normal's parts across the rim and along the axis are -cos and sin of that: of a taper that
        runs so, its end at the rim. Arrays broadcast.
        """
        heading, psi = np.broadcast_arrays(heading, psi)
        rim = rim_of(self.surface, psi)
        straight = self._taper(rim)
        at_rim = straight.angle >= heading
        edge, radius = self.shell.back_edge_radius, self.shell.rim_radius
        turned = np.where(at_rim, radius, edge)
        out = np.where(at_rim, rim.out, straight.turned_about) - turned * np.cos(heading)
        aside = np.where(at_rim, 1.0, straight.moved) * rim.aside
        z = np.where(at_rim, self.surface.depth - radius, self.back + edge) + turned * np.sin(heading)
        return np.concatenate([out[..., None] * rim.across + aside[..., None] * rim.along, z[..., None]], axis=-1)

    @cached_property
    def half(self) -> tuple[float, float]:
        """m, half its width and height: reached in the planes of symmetry, since it is convex."""
        (wide, _, _), (_, high, _) = self.widest(np.array([0.0, _QUARTER])).tolist()
        return wide, high

    @cached_property
    def flat(self) -> float:
        """m, the radius up to which the back is flat all round."""
        psi = np.linspace(0.0, _QUARTER, 4 * AROUND)
        edge = self.point_at("back", psi, np.zeros_like(psi))[0]
        return float(np.hypot(edge[:, 0], edge[:, 1]).min())

    @property
    def stretches(self) -> tuple[Stretch, ...]:
        """From the rim round to the middle of the back."""
        absent = [
            name
            for name, radius in (("rim", self.shell.rim_radius), ("edge", self.shell.back_edge_radius))
            if radius <= SMALLEST_ROUNDING
        ]
        return tuple(each for each in get_args(Stretch) if each not in absent)

    def point_at(self, stretch: Stretch, psi: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places (..., 3), m, and unit normals (..., 3) into the air of the quarter in which x and y are positive.

        psi : (...) 0 to pi/2 rad, and v (...) 0 to 1 along the stretch, away from the rim. Arrays broadcast.
        """
        return self._placed(stretch, rim_of(self.surface, psi), v)

    def _placed(self, stretch: Stretch, rim: Rim, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        straight = self._taper(rim)
        turned = straight.moved * rim.aside
        if stretch == "back":
            heading = np.full_like(v, 3 * _QUARTER)
            z, out, aside = np.full_like(v, self.back), (1.0 - v) * straight.turned_about, (1.0 - v) * turned
        elif stretch == "taper":
            heading = straight.angle
            z, out = ((1.0 - v) * one + v * other for one, other in zip(straight.begin, straight.end, strict=True))
            aside = (1.0 - v) * rim.aside + v * turned
        else:
            at_rim = stretch == "rim"
            first, last = (_QUARTER, straight.angle) if at_rim else (straight.angle, 3 * _QUARTER)
            radius = self.shell.rim_radius if at_rim else self.shell.back_edge_radius
            heading = first + (last - first) * v
            middle = self.surface.depth - radius if at_rim else self.back + radius
            z = middle + radius * np.sin(heading)
            out = (rim.out if at_rim else straight.turned_about) - radius * np.cos(heading)
            aside = rim.aside if at_rim else turned
        (ex, ey), outward = np.moveaxis(rim.across, -1, 0), -np.cos(heading)
        places = np.broadcast_arrays(out * ex - aside * ey, out * ey + aside * ex, z, v)[:3]
        normals = np.broadcast_arrays(outward * ex, outward * ey, np.sin(heading), v)[:3]
        return np.stack(places, axis=-1), np.stack(normals, axis=-1)

    def taper_angle(self, psi: FloatArray) -> FloatArray:
        """(...) rad, the heading of the taper at parameters psi (...): above pi it runs toward the axis."""
        return self._taper(rim_of(self.surface, psi)).angle

    def _taper(self, rim: Rim) -> Taper:
        return taper(self.shell, (self.surface.depth, rim.out), self.back)

    def sampled(self, around: int, along: int) -> tuple[FloatArray, FloatArray]:
        """Places and normals (stretches, around, along, 3) on an even grid over the quarter."""
        rim = rim_of(self.surface, np.linspace(0.0, _QUARTER, around)[:, None])
        found = [self._placed(stretch, rim, np.linspace(0.0, 1.0, along)) for stretch in self.stretches]
        return np.array([each for each, _ in found]), np.array([each for _, each in found])

    @cached_property
    def volume(self) -> float:
        """m3, of the whole outside with its mouth closed by a flat disc: of a hull over points, to about 1e-3 of it."""
        points = self.sampled(2 * AROUND, ALONG)[0] - [0.0, 0.0, self.surface.depth]
        a, b, c, d = points[:, :-1, :-1], points[:, 1:, :-1], points[:, 1:, 1:], points[:, :-1, 1:]
        # Pyramids from the mouth's middle over two triangles each: the outer ones, as the body is convex.
        folds = [np.abs(_box(*one) + _box(*other)) for one, other in (((a, b, c), (a, c, d)), ((a, b, d), (b, c, d)))]
        return 4.0 / 6.0 * float(np.maximum(*folds).sum())

    def beyond(self, places: FloatArray) -> FloatArray:
        """(...) m, how far places (..., 3) lie outside the body with its mouth closed, negative inside: at most that,
        but for the few planes that touch it which are looked at.
        """
        touching, normals = (each.reshape(-1, 3) for each in self._few)
        folded = np.concatenate([np.abs(places[..., :2]), places[..., 2:]], axis=-1)
        apart = folded @ normals.T - np.sum(touching * normals, axis=1)
        return np.asarray(np.maximum(apart.max(axis=-1), folded[..., 2] - self.surface.depth))

    @cached_property
    def _few(self) -> tuple[FloatArray, FloatArray]:
        return self.sampled(13, 5)

    def _check_edge(self) -> None:
        edge = self.shell.back_edge_radius

        def fits(radius: float) -> bool:
            shell = replace(self.shell, back_edge_radius=radius)
            rim = rim_of(self.surface, np.linspace(0.0, _QUARTER, 4 * AROUND))
            straight = taper(shell, (self.surface.depth, rim.out), self.back)
            if np.min(straight.largest) < radius:
                return False
            line = straight.turned_about[:, None] * rim.across + (straight.moved * rim.aside)[:, None] * rim.along
            forward = 0.5 * (rim.along[1:] + rim.along[:-1])
            return bool(np.sum(np.diff(line, axis=0) * forward, axis=1).min() > -FOLDED)

        if edge > SMALLEST_ROUNDING and not fits(edge):
            raise ValueError(
                f"[mounting] back_edge_radius_mm = {edge / MILLIMETRE:g}: must be 0 to"
                f" {at_most_mm(_last(fits, 0.0, edge))}, so that taper and back have room for it all round. Lower it,"
                " or raise back_diameter_mm"
            )

    def _check_room(self) -> None:
        lacking, (z, azimuth) = _lacking(self)
        if lacking <= 0.0:
            return

        def fits(shell: RolledShell) -> bool:
            return _lacking(_unchecked(self.surface, shell))[0] <= 0.0

        wide, shell = 2.0 * max(self.surface.mouth_width, self.surface.mouth_height), self.shell
        if wide > shell.back_diameter and fits(replace(shell, back_diameter=wide)):
            enough = _last(lambda d: fits(replace(shell, back_diameter=d)), wide, shell.back_diameter)
            remedy = f"back_diameter_mm = {at_least_mm(enough)} gives it"
        elif fits(replace(shell, rim_radius=0.0)):
            enough = _last(lambda r: fits(replace(shell, rim_radius=r)), 0.0, shell.rim_radius)
            remedy = f"rim_radius_mm = {at_most_mm(enough)} gives it"
        else:
            remedy = "Make the back wider and the rim's radius smaller, or the waveguide narrower behind its mouth"
        raise ValueError(
            f'[mounting] outline = "{shell.outline}": the outside is too near to the waveguide\'s wall at z_mm ='
            f" {mm(z)}, {azimuth / DEGREE:.0f} degrees from the horizontal: must keep {mm(ROOM)} from it, toward the"
            f" rim a tenth of the way there, and lacks {mm(lacking, 2)}. {remedy}"
        )


def _box(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """(...) m3, the boxes that edges (..., 3) span."""
    return np.asarray(np.sum(np.cross(a, b) * c, axis=-1))


def _heading(height: float | FloatArray, radius: float) -> FloatArray:
    """rad, a quarter to three quarters of a turn: of places on an arc so far, m, above its middle."""
    sine = np.clip(np.divide(height, radius), -1.0, 1.0) if radius > 0.0 else np.zeros_like(height, dtype=np.float64)
    return np.asarray(2.0 * _QUARTER - np.arcsin(sine))


def _unchecked(surface: Surface, shell: RolledShell) -> OblongBody:
    """Without looking whether it fits: that is what is asked of it."""
    body = object.__new__(OblongBody)
    object.__setattr__(body, "surface", surface)
    object.__setattr__(body, "shell", shell)
    return body


def _lacking(body: OblongBody) -> tuple[float, tuple[float, float]]:
    """m that the room between wall and outside lacks where it lacks most, and where: depth, m, and azimuth, rad."""
    surface = body.surface
    places, normals = body.sampled(AROUND, ALONG)
    psi = np.linspace(0.0, _QUARTER, AROUND)
    wall = []
    for which, (low, high) in enumerate(itertools.pairwise(surface.cuts)):
        # Closer toward the end, where a roundover runs outward.
        z = high - (high - low) * np.linspace(1.0, 0.0, ALONG) ** 2
        axes = surface.axes(z, stretch=which)
        factor = surface.factor(z[:, None], axes.a[:, None], axes.b[:, None], psi)
        x, y = axes.a[:, None] * factor * np.cos(psi), axes.b[:, None] * factor * np.sin(psi)
        wall.append(np.stack([x, y, np.broadcast_to(z[:, None], x.shape)], axis=-1).reshape(-1, 3))
    points = np.concatenate(wall)
    mouth = points[-AROUND:]
    away, nearest = cKDTree(places.reshape(-1, 3)).query(points)
    room = np.sum((places.reshape(-1, 3)[nearest] - points) * normals.reshape(-1, 3)[nearest], axis=1)
    if body.stretches[0] == "rim":
        # The outside begins at the rim, across the mouth's plane: beside it there is none.
        room = np.where((nearest < AROUND * ALONG) & (nearest % ALONG == 0), away, room)
    to_rim, _ = cKDTree(mouth).query(points)
    lacking = np.minimum(ROOM, NEAR_RIM * to_rim) - room
    lacking[to_rim < TOUCH] = 0.0
    worst = int(lacking.argmax())
    x, y, z = points[worst]
    return float(lacking[worst]), (float(z), float(np.arctan2(y, x)))


def _last(fits: Callable[[float], bool], good: float, bad: float) -> float:
    """The last value from `good`, which fits, toward `bad`, which does not, that still does."""
    for _ in range(HALVINGS):
        middle = 0.5 * (good + bad)
        good, bad = (middle, bad) if fits(middle) else (good, middle)
    return good
