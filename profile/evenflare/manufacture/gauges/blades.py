"""Outlines of templates: blades that lie in a plane through the axis, and plates that lie across it at a depth."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenflare.manufacture.gauges.asked import zone_at
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian, sampled
from evenflare.waveguide.departure import ROLLED
from evenflare.waveguide.surface import Surface
from evenflare.waveguide.wall_zones import WallZone

if TYPE_CHECKING:
    from shapely import Geometry, Polygon

CHORD_ERROR = 0.5e-6
"""m, by which a template's edge departs from the limit between its points."""
RELIEF = 1.5 * MILLIMETRE
"""By which a no-go blade stands back from the wall outside its zone, at least."""
TAB = (74 * MILLIMETRE, 36 * MILLIMETRE)
"""Width and height of what a blade is held by, and its words stand on."""
ABOVE = 8 * MILLIMETRE
"""From the mouth plane to the tab."""
STEEP = 0.6
"""Least part of the wall's normal across the axis where a plate can tell a depth: a wall at 53 degrees."""
_QUARTER = 2001
"""Points of a quarter of a plate's edge, of which as many are kept as its shape needs."""
_FAR = 10.0
_SLIVER = 0.1e-6
"""m; what is thinner than twice that is rounding."""
_ARC = 32
"""Chords in a quarter of a turn round a corner of the wall."""


@dataclass(frozen=True)
class Wall:
    """The drawn wall in a plane through the axis, cut at the ends of zones: (N, 2) r and z of each zone's stretch, m.

    The first and the last go on along their tangents beyond throat and mouth. drawn : (N, 2), the wall alone; rolled :
    whether its mouth is.
    """

    stretches: tuple[FloatArray, ...]
    drawn: FloatArray
    rolled: bool


def wall_in_zones(meridian: Meridian, zones: Sequence[WallZone]) -> Wall:
    """The wall of a meridian, zone by zone."""
    frames = sampled(meridian, chord_error=CHORD_ERROR)
    points = np.concatenate([np.column_stack([frame.r, frame.z]) for frame in frames])
    points = points[np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-9])]
    first, last = float(frames[0].angle[0]), float(frames[-1].angle[-1])
    reach = 2.0 * max(max(zone.minus, zone.plus) for zone in zones) + MILLIMETRE
    rolled = last >= ROLLED
    stretches, rest = [], points
    for zone in zones[1:]:
        at = int(np.argmax(rest[:, 1] > zone.from_z)) if (rest[:, 1] > zone.from_z).any() else len(rest) - 1
        before, after = rest[at - 1], rest[at]
        share = (zone.from_z - before[1]) / max(after[1] - before[1], 1e-15)
        cut = before + np.clip(share, 0.0, 1.0) * (after - before)
        stretches.append(np.concatenate([rest[:at], [cut]]))
        rest = np.concatenate([[cut], rest[at:]])
    stretches.append(rest)
    back = points[0] - reach * np.array([np.sin(first), np.cos(first)])
    stretches[0] = np.concatenate([[back], stretches[0]])
    on = points[-1] + reach * np.array([np.sin(last), np.cos(last)])
    stretches[-1] = np.concatenate([stretches[-1], [on]])
    return Wall(tuple(stretches), points, rolled)


def go_blade(wall: Wall, zones: Sequence[WallZone]) -> FloatArray:
    """(N, 2), m: the closed outline of a blade that enters every wall within its zones: r, to both sides, and z.

    Its edge is the drawn wall moved along its normal toward the axis by each zone's minus; less where it would not
    pass what stands above.
    """
    import shapely

    blocked = [_band(stretch, zone.minus) for stretch, zone in zip(wall.stretches, zones, strict=True)]
    # Where the wall has a corner between two zones their bands leave a wedge open.
    blocked += [
        shapely.Point(stretch[0]).buffer(min(before.minus, after.minus))
        for stretch, before, after in zip(wall.stretches[1:], zones[:-1], zones[1:], strict=True)
    ]
    body = _single(_air(wall).difference(shapely.union_all(blocked)))
    return _blade(_single(body.difference(_shadow(body))), wall)


def no_go_blade(wall: Wall, zones: Sequence[WallZone], number: int) -> FloatArray | None:
    """(N, 2), m: the outline of a blade that stands off a wall that lies within its zones: in one zone its edge is the
    drawn wall moved away from the axis by that zone's plus, elsewhere it is relieved. Each place its own template, as
    Taylor's principle has it (ISO 1938-1:2015, from memory). None where the zone lies behind an undercut.
    """
    import shapely

    air, own = _air(wall), wall.stretches[number]
    hidden = _shadow(air)
    line = shapely.LineString(own)
    if not hidden.is_empty and line.intersection(hidden).length > 0.5 * line.length:
        return None
    relief = RELIEF + 2.0 * max(zone.minus for zone in zones)
    others = [_band(stretch, relief) for k, stretch in enumerate(wall.stretches) if k != number]
    # What lies beside a rolled mouth is the front face, and no wall.
    wide, top = float(wall.drawn[-1, 0]) if wall.rolled else _FAR, float(wall.drawn[:, 1].max())
    edge = _band(own, zones[number].plus).intersection(shapely.box(0.0, 0.0, wide, top))
    # Its own air is put back: at a bend the relief of its neighbours reaches into it.
    relieved = air.difference(shapely.union_all(others)) if others else air
    inward = _band(own, relief).intersection(air)
    return _blade(_single(shapely.union_all([relieved, inward, edge]).difference(hidden)), wall)


def plate(surface: Surface, z: float, by: float) -> FloatArray:
    """(N, 2), m: x and y of the section at a depth of the wall moved by `by` (m) along its normal, + off the axis.

    Counter-clockwise, the first point not repeated. The depth lies within a smooth stretch, further from its ends than
    `by` reaches.
    """
    import shapely

    psi = np.linspace(0.0, 0.5 * np.pi, _QUARTER)[:, None]
    stretch = min(max(int(np.searchsorted(surface.cuts, z, side="left")) - 1, 0), len(surface.cuts) - 2)
    at = np.full(len(psi), z)
    # The normal points into the air; the wall's point moves by it to this depth.
    for _ in range(60):
        patch = surface.patch(at, psi, stretch=stretch, bends=False)
        off = at - by * patch.normals[:, 0, 2] - z
        if float(np.abs(off).max()) < 1e-12:
            break
        at = at - off
    patch = surface.patch(at, psi, stretch=stretch, bends=False)
    quarter = (patch.points - by * patch.normals)[:, 0, :2]
    upper = np.concatenate([quarter, quarter[-2::-1] * (-1.0, 1.0)])
    whole = np.concatenate([upper, upper[-2::-1] * (1.0, -1.0)])
    return np.asarray(shapely.LineString(whole).simplify(CHORD_ERROR).coords)[:-1]


def plate_depths(surface: Surface, zones: Sequence[WallZone], asked: Sequence[float] | None) -> list[float]:
    """m: depths asked for, or the middle of each zone, of one zone quarter, half and three quarters; those where a
    plate can tell the depth: the wall smooth there, and not too flat.
    """
    depth = surface.depth
    if asked is not None:
        wanted = sorted(asked)
    elif len(zones) == 1:
        wanted = [share * depth for share in (0.25, 0.5, 0.75)]
    else:
        wanted = [0.5 * (zone.from_z + min(zone.to_z, depth)) for zone in zones]
    return [z for z in wanted if _tells(surface, z, zones[zone_at(tuple(zones), z)])]


def _tells(surface: Surface, z: float, zone: WallZone) -> bool:
    spare = 2.0 * max(zone.minus, zone.plus)
    if any(abs(z - cut) < spare + 1e-6 for cut in surface.cuts):
        return False
    stretch = int(np.searchsorted(surface.cuts, z, side="left")) - 1
    psi = np.linspace(0.0, 0.5 * np.pi, 91)
    normals = surface.patch(np.array([z]), psi, stretch=stretch, bends=False).normals[0]
    return bool(np.hypot(normals[:, 0], normals[:, 1]).min() > STEEP)


def _band(stretch: FloatArray, by: float) -> Geometry:
    """All within `by` of a stretch of wall, square at its ends."""
    import shapely

    return shapely.LineString(stretch).buffer(max(by, 1e-9), cap_style="flat", quad_segs=_ARC)


def _air(wall: Wall) -> Polygon:
    """Half of a blade that would touch the drawn wall everywhere: r from the axis, z from the throat plane."""
    import shapely

    end = wall.drawn[-1]
    top = float(wall.drawn[:, 1].max()) + ABOVE
    # Beyond the axis, so that both halves join.
    return shapely.Polygon([(-1e-5, 0.0), *wall.drawn, (end[0], top), (-1e-5, top)])


def _shadow(body: Polygon) -> Geometry:
    """What lies under an overhang of a body's own outline, seen from the mouth: a blade does not get there."""
    import shapely
    from shapely.geometry.polygon import orient

    ring = np.asarray(orient(body).exterior.coords)
    top = float(ring[:, 1].max())
    quads = [
        shapely.Polygon([before, after, (after[0], -1.0), (before[0], -1.0)])
        for before, after in itertools.pairwise(ring)
        if after[0] < before[0] - 1e-12 and max(before[1], after[1]) < top - 1e-9 and before[1] > 1e-9
    ]
    return shapely.union_all(quads) if quads else shapely.Polygon()


def _blade(half: Polygon, wall: Wall) -> FloatArray:
    """Both halves and the tab as one closed outline, the first point not repeated."""
    import shapely

    ring = np.asarray(half.exterior.coords)
    other = shapely.Polygon(ring * (-1.0, 1.0))
    top = float(wall.drawn[:, 1].max()) + ABOVE
    wide, high = TAB
    tab = shapely.box(-0.5 * wide, top - 1e-5, 0.5 * wide, top + high)
    whole = shapely.union_all([half, other, tab])
    # Spikes and slits between pieces that meet to rounding only.
    for by in (-_SLIVER, 2.0 * _SLIVER, -_SLIVER):
        whole = whole.buffer(by, join_style="mitre", mitre_limit=10.0)
    return np.asarray(_single(whole).exterior.coords)[:-1]


def _single(part: Geometry) -> Polygon:
    """The largest piece, without holes."""
    import shapely

    return shapely.Polygon(max(shapely.get_parts(part), key=lambda each: float(each.area)).exterior)
