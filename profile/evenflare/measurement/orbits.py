"""From the directions that were read, plane by plane, to one grid of planes and angles that all share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import Symmetry
from evenflare.measurement.between_angles import SAME_ANGLE, at_angles
from evenflare.units import DEGREE, BoolArray, ComplexArray, FloatArray, IntArray, read_only

WIDEST_GAP = 20.0 * DEGREE
"""Between two angles of a plane, twice the standard's step: beyond it what lies between them would be a guess."""
PLANE_NAMES = {0: "horizontal", 90: "vertical"}
"""By azimuth in degrees."""


@dataclass(frozen=True)
class Orbit:
    """What was heard in one plane: angles (A,) rad rising, pressure (A, F)."""

    off_axis: FloatArray
    pressure: ComplexArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "off_axis", read_only(self.off_axis))
        object.__setattr__(self, "pressure", read_only(self.pressure, np.complex128))

    @property
    def sides(self) -> set[int]:
        """Signs of the angles, but for the axis and straight behind, which belong to both sides."""
        inner = (np.abs(self.off_axis) > SAME_ANGLE) & (np.abs(self.off_axis) < np.pi - SAME_ANGLE)
        return {int(sign) for sign in np.sign(self.off_axis[inner])}


def plane_name(azimuth: float) -> str:
    """ "horizontal", "vertical", or the azimuth in degrees."""
    degrees = round(azimuth / DEGREE)
    return PLANE_NAMES.get(degrees, f"azimuth_{degrees}")


def mirrored_in(azimuth: float, symmetry: Symmetry) -> bool:
    """Whether both sides of a plane sound alike by that symmetry."""
    if symmetry in ("round", "two_planes"):
        return True
    return symmetry == "left_right" and abs(azimuth) < SAME_ANGLE


def shared_grid(
    orbits: Mapping[float, Orbit], symmetry: Symmetry, *, half_space: bool
) -> tuple[dict[float, Orbit], list[str], list[str]]:
    """Planes on one row of angles, what was assumed for that and what must be told, in words.

    orbits : by azimuth, rad. A pole that one plane lacks is the other's; a side that one plane lacks while another has
             both is its mirror image where the symmetry says so. Angles that one plane lacks are taken between its
             neighbours (spline of the complex pressure), where these lie no more than 20 degrees apart; what one plane
             does not reach so is left out of all. One-sided planes throughout stay so, as positive angles. In half
             space nothing beyond 90 degrees is kept.
    """
    assumed: list[str] = []
    warnings: list[str] = []
    found = {azimuth: _ahead(orbit) if half_space else orbit for azimuth, orbit in orbits.items()}
    cut = sum(orbit.off_axis.size - found[azimuth].off_axis.size for azimuth, orbit in orbits.items())
    if cut:
        assumed.append(f"{cut} directions beyond 90 degrees left out: behind a baffle nothing arrives")
    for azimuth, orbit in list(found.items()):
        found[azimuth] = _with_poles(orbit, found)
        borrowed = found[azimuth].off_axis.size - orbit.off_axis.size
        if borrowed and np.abs(orbit.off_axis).min() > SAME_ANGLE:
            assumed.append(f"{plane_name(azimuth)}: the reading on axis is another plane's")
    both_sides = any(len(orbit.sides) == 2 for orbit in found.values())
    for azimuth, orbit in found.items():
        if len(orbit.sides) != 1:
            continue
        if not both_sides:
            if orbit.sides == {-1}:
                found[azimuth] = _flipped(orbit)
                assumed.append(f"{plane_name(azimuth)}: the negative side stands for the positive by symmetry")
        elif mirrored_in(azimuth, symmetry):
            found[azimuth] = _both(orbit)
            assumed.append(f'{plane_name(azimuth)}: the other side is the mirror image, by symmetry "{symmetry}"')
    low = max(_reach(orbit)[0] for orbit in found.values())
    high = min(_reach(orbit)[1] for orbit in found.values())
    union = _distinct(np.concatenate([orbit.off_axis for orbit in found.values()]))
    reached = union[(union >= low - SAME_ANGLE) & (union <= high + SAME_ANGLE)]
    if reached.size < union.size:
        warnings.append(
            f"{union.size - reached.size} angles are left out, since not every plane reaches beyond"
            f" {low / DEGREE:g} to {high / DEGREE:g} degrees: measure the planes alike, or each in a session of its own"
        )
    grid = reached[np.all([_told(orbit.off_axis, reached) for orbit in found.values()], axis=0)]
    if grid.size < reached.size:
        warnings.append(
            f"{reached.size - grid.size} angles are left out, since one plane lacks them in a gap of more than"
            f" {WIDEST_GAP / DEGREE:g} degrees: measure the planes alike, or each in a session of its own"
        )
    for azimuth, orbit in found.items():
        at = _places(orbit.off_axis, grid)
        lacking = int(np.count_nonzero(at < 0))
        if lacking:
            assumed.append(f"{plane_name(azimuth)}: {lacking} angles of another plane taken between its own")
            pressure = at_angles(orbit.off_axis, orbit.pressure, grid)
            pressure[at >= 0] = orbit.pressure[at[at >= 0]]
            found[azimuth] = Orbit(grid, pressure)
        else:
            found[azimuth] = Orbit(grid, orbit.pressure[at])
    return found, assumed, warnings


def _ahead(orbit: Orbit) -> Orbit:
    kept = np.abs(orbit.off_axis) <= 0.5 * np.pi + SAME_ANGLE
    return Orbit(orbit.off_axis[kept], orbit.pressure[kept])


def _with_poles(orbit: Orbit, orbits: Mapping[float, Orbit]) -> Orbit:
    """With the axis and straight behind of another plane where this one lacks them: they are one direction."""
    for pole in (0.0, np.pi):
        if _places(orbit.off_axis, np.array([pole]))[0] >= 0:
            continue
        for other in orbits.values():
            at = _places(other.off_axis, np.array([pole]))[0]
            # Straight behind belongs to a plane only that goes nearly there itself.
            if at >= 0 and (pole == 0.0 or np.abs(orbit.off_axis).max() > np.pi - 30.0 * DEGREE - SAME_ANGLE):
                orbit = _sorted(
                    np.append(orbit.off_axis, pole), np.concatenate([orbit.pressure, other.pressure[at : at + 1]])
                )
                break
    return orbit


def _flipped(orbit: Orbit) -> Orbit:
    return _sorted(np.where(orbit.off_axis < -SAME_ANGLE, -orbit.off_axis, orbit.off_axis), orbit.pressure)


def _both(orbit: Orbit) -> Orbit:
    """With the mirror image of its one side; the poles stay single."""
    inner = (np.abs(orbit.off_axis) > SAME_ANGLE) & (np.abs(orbit.off_axis) < np.pi - SAME_ANGLE)
    return _sorted(
        np.concatenate([orbit.off_axis, -orbit.off_axis[inner]]),
        np.concatenate([orbit.pressure, orbit.pressure[inner]]),
    )


def _sorted(off_axis: FloatArray, pressure: ComplexArray) -> Orbit:
    order = np.argsort(off_axis)
    return Orbit(off_axis[order], pressure[order])


def _reach(orbit: Orbit) -> tuple[float, float]:
    """Least and greatest angle; all round where the gap behind is no wider than the widest before it."""
    first, last = float(orbit.off_axis[0]), float(orbit.off_axis[-1])
    if orbit.off_axis.size > 2:
        gap = 2.0 * np.pi - (last - first)
        if gap <= 1.5 * float(np.diff(orbit.off_axis).max()):
            return -np.pi, np.pi
    return first, last


def _told(known: FloatArray, wanted: FloatArray) -> BoolArray:
    """Which angles (B,) a plane's own rising ones tell: those it has, and those between two that are close enough."""
    around = np.concatenate([known[-1:] - 2.0 * np.pi, known, known[:1] + 2.0 * np.pi])
    after = np.clip(np.searchsorted(around, wanted), 1, around.size - 1)
    near = around[after] - around[after - 1] <= WIDEST_GAP + SAME_ANGLE
    return np.asarray((_places(known, wanted) >= 0) | near)


def _distinct(angles: FloatArray) -> FloatArray:
    rising = np.sort(angles)
    return np.asarray(rising[np.diff(rising, prepend=-np.inf) > SAME_ANGLE])


def _places(known: FloatArray, wanted: FloatArray) -> IntArray:
    """Indices (B,) of angles in a rising row, -1 where they are not there."""
    nearest = np.abs(known[None, :] - wanted[:, None]).argmin(axis=1)
    return np.asarray(np.where(np.abs(known[nearest] - wanted) < SAME_ANGLE, nearest, -1))
