"""Whether the parameters of a design give a wall that can be heard and made, and if not, why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TypeVar

import numpy as np

from evenflare.design.oblong import PlanesTable
from evenflare.files import InputError
from evenflare.schema import gathered
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Driver, Meridian, Mounting, Oblong, Points, Shape, Waveguide, family
from evenflare.waveguide.body import POINTS
from evenflare.waveguide.depths import DepthMap
from evenflare.waveguide.surface import SAME

WIDEST_MOUTH = 4.0
"""m of diameter, width or height."""
THROAT_MISMATCH = 0.1
"""Of the radius, between points and driver exit: more is a slip in the file, less is for the limits to judge."""


def prove(
    waveguide: Waveguide, source: str, *, places: tuple[str, str] = PlanesTable.places, body: str | None = None
) -> None:
    """InputError, beginning with `source`, if the parameters give no wall that can be heard or made.

    places : where in `source` the horizontal and the vertical wall of an oblong waveguide stand.
    body   : where the points of a free-standing body stand, which a message about them then begins with.
    """
    start, driver, shape = f"{source} [waveguide]", waveguide.driver, waveguide.shape
    if not isinstance(shape, Oblong):
        if waveguide.mounting.body is not None:
            bare = replace(waveguide, mounting=Mounting())
            _prove_wall(_attempt(lambda: bare.meridian, source, start), driver, start, size="diameter")
        meridian = _attempt(lambda: waveguide.meridian, source, start, body=body)
        _prove_wall(meridian, driver, start, size="diameter")
        return
    here, there = places
    horizontal, vertical = gathered(
        partial(_plane, shape.horizontal, driver, source, here, size="width"),
        partial(_plane, shape.vertical, driver, source, there, size="height"),
    )
    throats = horizontal.throat_radius, vertical.throat_radius
    if abs(throats[0] - throats[1]) > SAME:
        raise InputError(
            f"{source} {here} begins at r_mm = {throats[0] / MILLIMETRE:.6g}, {there} at"
            f" {throats[1] / MILLIMETRE:.6g}: must be equal, since the throat is round. Correct the points"
        )
    depths = [
        meridian.depth - (shape.depth_moved if isinstance(shape, Points) else 0.0)
        for shape, meridian in ((shape.horizontal, horizontal), (shape.vertical, vertical))
    ]
    if abs(depths[0] - depths[1]) > SAME:
        keys = [_depth_key(each) for each in (shape.horizontal, shape.vertical)]
        remedy = f"Change {keys[0]} of the one, or {keys[1]} of the other"
        if set(keys) == {"depth_mm"}:
            remedy = "Write one depth_mm in both"
        raise InputError(
            f"{source} {here} is {depths[0] / MILLIMETRE:.7g} mm deep, {there} {depths[1] / MILLIMETRE:.7g}: must be"
            f" equal, since the mouth lies in a plane. {remedy}"
        )
    bare = replace(waveguide, mounting=Mounting())
    _attempt(lambda: bare.surface, source, start)
    _attempt(lambda: waveguide.surface, source, start)


def _depth_key(shape: Shape) -> str:
    """What a user changes to change the depth of a wall."""
    return "the last z_mm" if isinstance(shape, Points) else family(shape.family).depth_key


def _plane(shape: Shape, driver: Driver, source: str, place: str, *, size: str) -> Meridian:
    """The wall of one plane of an oblong waveguide."""
    start = f"{source} {place}"
    meridian = _attempt(lambda: shape.meridian(driver.exit_radius), source, start)
    _prove_wall(meridian, driver, start, size=size)
    _attempt(lambda: DepthMap(meridian, meridian.depth), source, start)
    return meridian


Found = TypeVar("Found")


def _attempt(part: Callable[[], Found], source: str, start: str, *, body: str | None = None) -> Found:
    """What `part` gives; its ValueError as an InputError, which may name a table of its own."""
    try:
        with np.errstate(all="ignore"):
            return part()
    except ValueError as error:
        text = str(error)
        if body and text.startswith(POINTS):
            raise InputError(f"{body}:{text.removeprefix(POINTS)}") from None
        raise InputError(f"{source} {text}" if text.startswith("[") else f"{start} {text}") from None


def _prove_wall(meridian: Meridian, driver: Driver, start: str, *, size: str) -> None:
    # A cutoff far too high overflows; the mouth's size then says so in words.
    with np.errstate(all="ignore"):
        mouth = 2 * meridian.mouth_radius
    if not mouth <= WIDEST_MOUTH:
        raise InputError(
            f"{start} gives a mouth of {mouth / MILLIMETRE:.4g} mm {size}: must be at most"
            f" {WIDEST_MOUTH / MILLIMETRE:g}. Lower depth, angle, curvature or cutoff"
        )
    if not meridian.depth > 0:
        raise InputError(
            f"{start} ends at z_mm = {meridian.depth / MILLIMETRE:.4g}: must lie in front of the throat plane."
            " Give points from throat to mouth; lower the curvature of a free curve"
        )
    wall = meridian.dense
    if not wall.r.min() > 0:
        place = float(wall.z[wall.r.argmin()]) / MILLIMETRE
        raise InputError(
            f"{start}: the wall meets the axis at z_mm = {place:.4g}: must stay above it. Raise throat_angle_deg or the"
            " first values of curvature_per_m"
        )
    if _crosses(np.column_stack([wall.z, wall.r])):
        raise InputError(f"{start}: the profile crosses itself. Lower its curvature or its length")
    throat = meridian.throat_radius
    if abs(throat - driver.exit_radius) > THROAT_MISMATCH * driver.exit_radius:
        raise InputError(
            f"{start} begins at r_mm = {throat / MILLIMETRE:.4g}: must be within {THROAT_MISMATCH:.0%} of half of"
            f" [driver] exit_diameter_mm = {2 * driver.exit_radius / MILLIMETRE:.6g}."
            f" {_throat_hint(throat / driver.exit_radius)}"
        )


def _throat_hint(ratio: float) -> str:
    for slip, factor in (("Are the points in metres?", 1e-3), ("Is r_mm a diameter?", 2.0), ("In inches?", 1 / 25.4)):
        if abs(ratio / factor - 1) < THROAT_MISMATCH:
            return slip
    return "Correct the points, or the driver"


def _crosses(points: FloatArray) -> bool:
    from shapely import LineString

    apart = np.hypot(*np.diff(points, axis=0).T) > 1e-9
    return not LineString(points[np.concatenate([[True], apart])]).is_simple
