"""What a wall is: its sizes, its angles, the smallest radius of its concave places, and where each is found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.sections import Superellipse
from evenflare.waveguide.surface import Patch, Surface
from evenflare.waveguide.waveguide import Waveguide

CONCAVE = 1e-9
"""1/m; a wall that bends less is straight."""
TURN = 1e-6
"""rad; a corner that turns less is none."""
_AROUND = np.sort([*np.linspace(0.0, 90.0, 17), 42.2, 43.6, 46.4, 47.8]) * DEGREE
"""Parameters psi at which an oblong wall is looked at: closer about the diagonal, where a squarish section turns."""
_ALONG = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 33))
"""Shares of a smooth stretch, closer to its ends; every other one of a stretch shorter than a quarter of the depth."""


class Place(NamedTuple):
    """A place on the wall: m from the throat plane, and rad from the horizontal plane; None: all around."""

    z: float
    azimuth: float | None = None


@dataclass(frozen=True)
class Measures:
    """What a shape is, in m and rad; angles count against the axis along the steepest line of the wall.

    mouth_width, mouth_height : from rim to rim; both the diameter of a round one.
    throat_angle              : of the horizontal and of the vertical meridian; equal for a round one.
    concave_at                : z of the smallest concave radius.
    arc_length                : of the longer meridian.
    section_exponent          : the mouth's, and the largest anywhere; None where the section is no superellipse.
    places                    : where the worst value of a limit is found, by the limit's name, for those that are
                                looked for over the whole wall.
    """

    depth: float
    mouth_width: float
    mouth_height: float
    throat_diameter: float
    throat_angles: tuple[float, float]
    smallest_angle: float
    greatest_angle: float
    smallest_concave_radius: float
    arc_length: float
    section_exponent: tuple[float, float] | None = (2.0, 2.0)
    places: Mapping[str, Place] = field(default_factory=dict)

    @property
    def mouth_diameter(self) -> float:
        """m; the larger of width and height."""
        return max(self.mouth_width, self.mouth_height)

    @property
    def throat_angle(self) -> float:
        """rad; the horizontal meridian's."""
        return self.throat_angles[0]

    @property
    def concave_at(self) -> float:
        """m, z of the smallest concave radius."""
        return self.places["smallest_concave_radius_mm"].z


def measures(waveguide: Waveguide) -> Measures:
    """Sizes, angles and the smallest concave radius of a waveguide.

    Concave seen from the air are, on a round wall, the circumference, of radius r / cos(angle) everywhere, and the
    meridian where its curvature is negative; on an oblong one, a principal curvature that is negative. A corner that
    turns toward the axis has a concave radius of zero. An oblong wall is looked at on a grid, and about the narrowest
    concave on finer ones.
    """
    return _round(waveguide.meridian) if waveguide.is_round else _oblong(waveguide.surface)


def _round(meridian: Meridian) -> Measures:
    wall = meridian.dense
    around = np.where(np.cos(wall.angle) > 1e-9, wall.r / np.maximum(np.cos(wall.angle), 1e-9), np.inf)
    along = np.where(wall.curvature < -CONCAVE, -1.0 / np.minimum(wall.curvature, -CONCAVE), np.inf)
    concave = np.minimum(around, along)
    inward = np.flatnonzero((np.diff(wall.angle) < -TURN) & (np.hypot(np.diff(wall.z), np.diff(wall.r)) < 1e-9))
    concave[inward] = 0.0
    worst, least, greatest = int(concave.argmin()), int(wall.angle.argmin()), int(wall.angle.argmax())
    return Measures(
        depth=meridian.depth,
        mouth_width=2 * meridian.mouth_radius,
        mouth_height=2 * meridian.mouth_radius,
        throat_diameter=2 * meridian.throat_radius,
        throat_angles=(float(wall.angle[0]), float(wall.angle[0])),
        smallest_angle=float(wall.angle[least]),
        greatest_angle=float(wall.angle[greatest]),
        smallest_concave_radius=float(concave[worst]),
        arc_length=_arc_length(meridian),
        places=_places(*(Place(float(wall.z[i])) for i in (worst, least, greatest))),
    )


def _arc_length(meridian: Meridian) -> float:
    return float(np.hypot(np.diff(meridian.dense.z), np.diff(meridian.dense.r)).sum())


def _places(concave: Place, least: Place, greatest: Place) -> dict[str, Place]:
    return {
        "smallest_concave_radius_mm": concave,
        "greatest_wall_angle_deg": greatest,
        "smallest_wall_angle_deg": least,
        "smallest_draft_deg": least,
    }


def _oblong(surface: Surface) -> Measures:
    depths = [_depths(surface, stretch) for stretch in range(len(surface.cuts) - 1)]
    patches = [surface.patch(z, _AROUND, stretch=stretch) for stretch, z in enumerate(depths)]
    angles = [_wall_angle(patch) for patch in patches]
    least = min((_found(angle, patch) for angle, patch in zip(angles, patches, strict=True)), key=lambda f: f[0])
    greatest = min((_found(-angle, patch) for angle, patch in zip(angles, patches, strict=True)), key=lambda f: f[0])
    concave = _narrowest(surface, depths, patches)
    for before, after, patch in zip(angles[:-1], angles[1:], patches[1:], strict=True):
        turn, place = _found((after[0] - before[-1])[None, :], patch)
        if turn < -TURN and concave[0] > 0.0:
            concave = 0.0, place
    return Measures(
        depth=surface.depth,
        mouth_width=surface.mouth_width,
        mouth_height=surface.mouth_height,
        throat_diameter=2 * surface.throat_radius,
        throat_angles=(float(surface.horizontal.ends.angle[0]), float(surface.vertical.ends.angle[0])),
        smallest_angle=least[0],
        greatest_angle=-greatest[0],
        smallest_concave_radius=concave[0],
        arc_length=max(_arc_length(surface.horizontal), _arc_length(surface.vertical)),
        section_exponent=_exponents(surface),
        places=_places(concave[1], least[1], greatest[1]),
    )


def _depths(surface: Surface, stretch: int) -> FloatArray:
    """Depths at which a stretch is looked at: evenly, and where a meridian by itself is concave, steep or level."""
    low, high = surface.cuts[stretch], surface.cuts[stretch + 1]
    along = _ALONG if high - low > 0.25 * surface.depth else _ALONG[::2]
    telling = []
    for meridian in {id(each): each for each in (surface.horizontal, surface.vertical)}.values():
        z, _, angle, curvature, _ = (column.reshape(len(meridian.pieces), -1) for column in meridian.dense)
        for rows in (angle.argmin(axis=1), angle.argmax(axis=1), curvature.argmin(axis=1)):
            telling += z[np.arange(len(rows)), rows].tolist()
    return np.unique([*(low + (high - low) * along), high, *(z for z in telling if low < z < high)])


def _wall_angle(patch: Patch) -> FloatArray:
    """Rad, wall against axis along its steepest line."""
    return np.asarray(np.arcsin(np.clip(patch.normals[..., 2], -1.0, 1.0)))


def _radii(patch: Patch) -> FloatArray:
    """m, of the narrower concave bend; infinite where there is none."""
    curvature = patch.curvatures[..., 0]
    return np.where(curvature < -CONCAVE, -1.0 / np.minimum(curvature, -CONCAVE), np.inf)


def _found(values: FloatArray, patch: Patch) -> tuple[float, Place]:
    """The smallest of values (Z, P), and where it is; `values` may be only the first depths of the patch."""
    row, column = np.unravel_index(values.argmin(), values.shape)
    x, y, z = patch.points[row, column].tolist()
    return float(values[row, column]), Place(z, round(float(np.arctan2(y, x)), 12))


def _narrowest(surface: Surface, depths: list[FloatArray], patches: list[Patch]) -> tuple[float, Place]:
    """The smallest concave radius and its place, sought about the grid's on two grids, each four times finer."""
    radii = [_radii(patch) for patch in patches]
    stretch = int(np.argmin([radius.min() for radius in radii]))
    z, psi, radius, best = depths[stretch], _AROUND, radii[stretch], _found(radii[stretch], patches[stretch])
    for _ in range(2):
        row, column = np.unravel_index(radius.argmin(), radius.shape)
        z, psi = _about(z, int(row)), _about(psi, int(column))
        patch = surface.patch(z, psi, stretch=stretch)
        radius = _radii(patch)
        best = min(best, _found(radius, patch), key=lambda found: found[0])
    return best


def _about(values: FloatArray, index: int) -> FloatArray:
    """Nine values between the neighbours of one of them."""
    return np.linspace(values[max(index - 1, 0)], values[min(index + 1, values.size - 1)], 9)


def _exponents(surface: Surface) -> tuple[float, float] | None:
    section = surface.section
    if not isinstance(section, Superellipse):
        return None
    # Between its pairs the exponent is monotone.
    found = section.exponent_at(np.array([*section.cuts(surface.depth), surface.depth]), depth=surface.depth)
    return float(found[-1]), float(found.max())
