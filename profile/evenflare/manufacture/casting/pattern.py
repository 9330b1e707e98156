"""The pattern that a casting is moulded from: allowance on machined faces and draft outside, at casting size; then all
of it enlarged by the contraction. The waveguide's wall is enlarged and never otherwise changed, unless it is machined:
then it has the allowance on it too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.casting.casting import face_allowance, pattern_factor
from evenflare.manufacture.casting.core import Core, core_mesh, core_of, core_outline, with_core
from evenflare.manufacture.casting.draft import Zone, draft_zones
from evenflare.manufacture.casting.oblong_raw import oblong_raw
from evenflare.manufacture.casting.raw import Raw, flange_back, opening
from evenflare.manufacture.casting.round_raw import draft_metal, half_section
from evenflare.manufacture.part.features import Features
from evenflare.manufacture.part.oblong_sides import oblong_sides
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rings import outside_of
from evenflare.manufacture.part.sides import sides_of
from evenflare.manufacture.part.slices import slices
from evenflare.manufacture.part.solid import Mesh, revolved, volume
from evenflare.manufacture.process.types import Casting, DriverSeat
from evenflare.manufacture.wall.spacing import checked_chord_error
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide

SMALLEST_RECESS = 1 * MILLIMETRE
"""A driver's recess that would be cast shallower is left to be machined."""
_FAR = 10.0


@dataclass(frozen=True)
class Pattern:
    """A pattern and what was assumed; lengths in m.

    mesh          : at pattern size; z = 0 is the finished throat plane, on the axis.
    factor        : pattern over casting.
    allowance     : on the front, the seat and, of a shell, the back of the flange.
    fillet        : radius between a shell's outside and its flange.
    back, front   : z of the raw casting's ends.
    behind, ahead : by which the outside is larger than finished at those ends, for draft; of a body at the parting,
                    of an oblong one in the plane in which that is more.
    parting       : z of the parting line, which runs round the outside.
    drafted       : the most metal that draft leaves anywhere on a body's outside, along its normal; 0 of another part.
    recess        : diameter and depth of the driver's recess as cast; None: it is machined from the solid.
    zones         : of the wall, below the draft angle.
    volume        : m3, of the casting.
    core          : that forms the throat, at casting size; None without a print. The mesh is then solid there.
    core_mesh     : the same at pattern size, for the core box; None without.
    wall_stock    : on the waveguide's wall along its normal, where that is machined.
    outline       : (M, 2), z and r of a round casting; None of an oblong one.
    """

    mesh: Mesh
    factor: float
    casting: Casting
    sizes: Sizes | OblongSizes
    allowance: float
    fillet: float
    back: float
    front: float
    behind: float
    ahead: float
    parting: float
    recess: tuple[float, float] | None
    zones: tuple[Zone, ...]
    volume: float
    core: Core | None = None
    core_mesh: Mesh | None = None
    wall_stock: float = 0.0
    outline: FloatArray | None = None
    drafted: float = 0.0

    def bore_radius(self, z: float, azimuth: float = 0.0) -> float:
        """m, from the axis to a casting's bore at a depth (m) toward an azimuth (rad), as cast."""
        import shapely

        # The outline is the casting's, the mesh the pattern's.
        if self.outline is None:
            halves, scale = slices(self.mesh, azimuth=azimuth), self.factor
        else:
            halves, scale = (self.outline,), 1.0
        ray = shapely.LineString([(scale * z, 0.0), (scale * z, _FAR)])
        met = [shapely.Polygon(half).intersection(ray) for half in halves]
        return min(float(each.bounds[1]) for each in met if not each.is_empty) / scale


def build_pattern(
    waveguide: Waveguide,
    sizes: Sizes | OblongSizes,
    casting: Casting,
    *,
    chord_error: float,
    seat: DriverSeat | None = None,
    fillet: float | None = None,
) -> Pattern:
    """The pattern of a part.

    The parting line runs round the outside where it is widest, at the raw front face (pull to the front) or the raw
    back (to the back); of a free-standing body at its widest place, from which it has draft both ways. A body has no
    front face: its metal is on back and recess, and all round if the wall is machined. Bolt holes are not cast. Beyond
    throat and mouth plane the bore runs on at the draft angle through what is machined off.
    chord_error : m, of the wall at pattern size.
    seat        : the driver's, fitted to the part; a shell carries it on a hub. None or 0 deep: the seat is the throat
                  plane.
    fillet      : m, between a shell's outside and its flange; None: as the wall is thick. Less, or none, where there is
                  no room for it.
    Errors      : InputError as outline and face_allowance; if a shell or body is pulled to the back, a body's outside
                  has a waist or its widest place lies in no plane, the recess is wider than the part, or the wall draws
                  where a core is asked for; if the wall of a part with a core is machined, or its allowance closes the
                  throat.
    """
    factor = pattern_factor(casting)
    chord_error = checked_chord_error(chord_error) / factor
    half, seat = 0.5 * chord_error, seat or DriverSeat()
    _check(waveguide, sizes, casting, seat)
    depth = waveguide.meridian.depth if waveguide.is_round else waveguide.surface.depth
    outside = outside_of(sizes, chord_error=half)
    height = depth + seat.depth
    allowance = face_allowance(casting, largest=max(*outside.size, height), height=height)
    slope = float(np.tan(casting.draft))
    throat = waveguide.meridian.throat_radius if waveguide.is_round else waveguide.surface.throat_radius
    stock = allowance if casting.wall == "machined" else 0.0
    if stock > 0.5 * throat:
        raise InputError(
            f'[casting] wall = "machined": {allowance / MILLIMETRE:.2f} mm of allowance on the wall leave less than'
            f" half of the throat's radius, {throat / MILLIMETRE:.2f} mm. Write a smaller machining_allowance_mm"
        )
    back, front = -seat.depth - allowance, depth + (stock if sizes.kind == "body" else allowance)
    forward = casting.pull == "front"
    parting = _widest(waveguide, sizes) if sizes.kind == "body" else front if forward else back
    raw = Raw(back, front, allowance, slope, forward, parting, _recess(seat, allowance, slope, throat), stock)
    ring, features, drafted = None, Features(seat=seat), 0.0
    ahead = raw.outward(front) - (raw.outward(flange_back(sizes, depth, raw)) if sizes.kind == "shell" else 0.0)
    zones, behind = draft_zones(waveguide, draft=casting.draft, pull=casting.pull), opening(throat, raw)
    core, inner = None, None
    if casting.core_print > 0.0:
        core = core_of(zones, behind=behind, length=casting.core_print)
    if isinstance(sizes, OblongSizes):
        cast, fillet, drafted, mesh, inner = oblong_raw(
            waveguide.surface,
            sizes,
            features,
            raw,
            core,
            fillet=sizes.wall if fillet is None else fillet,
            chord_error=half,
        )
        metal = volume(cast)
        if sizes.kind == "body":
            ahead = 0.5 * float(np.max(np.ptp(cast.vertices[:, :2], axis=0) - outside.size))
    else:
        spread = 0.5 * (sizes.flange_diameter - 2.0 * float(waveguide.meridian.dense.r.max()))
        fillet = min(sizes.wall if fillet is None else fillet, 0.5 * spread) if sizes.kind == "shell" else 0.0
        ring = half_section(waveguide.meridian, sizes, features, raw, fillet, half)
        mesh = revolved(ring, chord_error=half)
        metal = volume(mesh)
        if sizes.body is not None:
            ahead = float(ring[:, 1].max()) - 0.5 * sizes.flange_diameter
            drafted = draft_metal(waveguide.meridian, sizes.body, ring, half) - stock
        if core is not None:
            turned = core_outline(core, waveguide.meridian, behind=behind, chord_error=half)
            sides = len(mesh.vertices) // len(ring)
            mesh, inner = with_core(mesh, turned, sides=sides), core_mesh(turned, sides=sides)
    return Pattern(
        mesh=Mesh(mesh.vertices * factor, mesh.faces),
        factor=factor,
        casting=casting,
        sizes=sizes,
        allowance=allowance,
        fillet=fillet,
        back=back,
        front=front,
        behind=raw.outward(back) if sizes.kind == "block" else 0.0,
        ahead=ahead,
        parting=parting,
        recess=None if raw.recess is None else (2.0 * raw.recess[0], raw.recess[1]),
        zones=zones,
        volume=metal,
        core=core,
        core_mesh=None if inner is None else Mesh(inner.vertices * factor, inner.faces),
        wall_stock=stock,
        outline=ring,
        drafted=drafted,
    )


def _check(waveguide: Waveguide, sizes: Sizes | OblongSizes, casting: Casting, seat: DriverSeat) -> None:
    if sizes.kind != "block" and casting.pull == "back":
        what = "a shell is widest at its front" if sizes.kind == "shell" else "the sand in a body's waveguide narrows"
        raise InputError(f'[casting] pull = "back": {what} and does not draw that way. Write pull = "front"')
    if casting.wall == "machined" and casting.core_print > 0.0:
        raise InputError(
            '[casting] wall = "machined": patterns with metal on the wall are for parts without a core print.'
            ' Write wall = "as_cast" and agree with the pattern-maker on the metal to add, or leave core_print_mm out'
        )
    if seat.depth > 0.0:
        least = min(outside_of(sizes, chord_error=1e-4).size)
        if seat.diameter >= least:
            raise InputError(
                f"{seat.stated}diameter_mm = {seat.diameter / MILLIMETRE:g}: must be below the block's outside,"
                f" {least / MILLIMETRE:.4g}. Make the flange larger, or the seat smaller"
            )


def _widest(waveguide: Waveguide, sizes: Sizes | OblongSizes) -> float:
    """m, z of a body's widest place, the middle of a stretch that is as wide."""
    assert sizes.body is not None
    if isinstance(sizes, OblongSizes):
        return waveguide.depth + oblong_sides(sizes.body)[0].lowest
    front, _ = sides_of(waveguide.meridian, sizes.body, share=0.5)
    return waveguide.depth + front.lowest


def _recess(seat: DriverSeat, allowance: float, slope: float, throat: float) -> tuple[float, float] | None:
    """Radius at its floor and depth (m) of the recess as cast; the metal grows into it from floor and side."""
    depth = seat.depth  # between two faces that both move back
    radius = 0.5 * seat.diameter - allowance - slope * depth
    return (radius, depth) if depth > SMALLEST_RECESS and radius > throat + SMALLEST_RECESS else None
