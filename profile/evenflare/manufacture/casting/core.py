"""The dry-sand core that forms a throat which does not draw, and the print that holds it in the mould."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.casting.draft import Zone
from evenflare.manufacture.part.boolean import MERGED, as_mesh, body
from evenflare.manufacture.part.solid import Mesh, circle
from evenflare.manufacture.wall.spacing import rolled
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian, sampled

if TYPE_CHECKING:
    from manifold3d import Manifold

PRINT_TAPER = 3 * DEGREE
"""Of the print's side, so that the core slides into its seat (common practice, no source: ask the foundry)."""
OVERLAP = 0.5e-6
"""m, by which the core reaches into the pattern that it is joined with: bodies that only touch stay apart."""
_JOINED = 1e-6


@dataclass(frozen=True)
class Core:
    """A core at casting size; lengths in m.

    top    : z up to which it forms the bore.
    length : of the print, behind the raw casting, and
    back   : z where that begins.
    inlet  : radius there, and
    end    : at the print's end.
    """

    top: float
    length: float
    back: float
    inlet: float
    end: float


def core_of(zones: tuple[Zone, ...], *, behind: FloatArray, length: float) -> Core:
    """The core of what does not draw from the throat on, and of all that is open behind it; its print is `length` m
    long.

    zones  : below the draft.
    behind : (N, 2), z and r of the raw casting's opening from behind the throat plane to its back, m.
    Errors : InputError if the wall draws at the throat, or the print would be too pointed.
    """
    top = 0.0
    for zone in sorted(zones, key=lambda each: each.z_from):
        if zone.z_from <= top + _JOINED:
            top = max(top, zone.z_to)
    if top <= 0.0:
        raise InputError(
            f"[casting] core_print_mm = {length / MILLIMETRE:g}: the wall draws at the throat, so that no core is set"
            " there. Leave it out"
        )
    back, inlet = behind[-1].tolist()
    end = inlet - length * float(np.tan(PRINT_TAPER))
    if end < 0.5 * inlet:
        raise InputError(
            f"[casting] core_print_mm = {length / MILLIMETRE:g}: its taper would leave less than half of the radius"
            f" where it begins: must be at most {0.5 * inlet / np.tan(PRINT_TAPER) / MILLIMETRE:.0f}. Lower it"
        )
    return Core(top, length, back, inlet, end)


def core_outline(core: Core, meridian: Meridian, *, behind: FloatArray, chord_error: float) -> FloatArray:
    """(M, 2), z and r of a round core, m, from the axis at the top along the wall to the axis at the print's end."""
    wall = rolled(sampled(meridian, chord_error=chord_error), step=5 * DEGREE)
    # Above the zone the wall opens: depth and radius are then one to one up to its end.
    inside = wall.z <= core.top
    rim = float(np.interp(core.top, wall.z, wall.r))
    bore = np.column_stack([wall.z[inside], wall.r[inside]])[::-1]
    tip = core.back - core.length
    return np.array([(core.top, 0.0), (core.top, rim), *bore.tolist(), *behind.tolist(), (tip, core.end), (tip, 0.0)])


def core_mesh(outline: FloatArray, *, sides: int) -> Mesh:
    """A round core as a closed mesh at casting size."""
    return _mesh(_turned(outline, sides))


def with_core(part: Mesh, outline: FloatArray, *, sides: int) -> Mesh:
    """A round pattern whose bore is filled as far as a core reaches, with its print: where that is set no sand is."""
    import shapely
    from shapely.geometry.polygon import orient

    grown = shapely.Polygon(outline).buffer(OVERLAP, join_style="mitre")
    low, _, high, wide = grown.bounds
    filled = orient(grown.intersection(shapely.box(low, 0.0, high, wide)))
    filled = np.asarray(filled.exterior.coords)[:-1]
    joined = (body(np.array(part.vertices), part.faces) + _turned(filled, sides)).simplify(0.2 * OVERLAP)
    return _mesh(joined)


def _turned(outline: FloatArray, sides: int) -> Any:
    from manifold3d import CrossSection

    # Turned about its second coordinate, which becomes the height.
    return CrossSection([outline[::-1, ::-1]]).revolve(sides)


def _mesh(turned: Any) -> Mesh:
    mesh = turned.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int64))


def cored(whole: Manifold, air: Manifold, core: Core, *, chord_error: float) -> tuple[Mesh, Mesh]:
    """A pattern and its core, as with_core and core_mesh, of any part.

    whole, air : the raw casting without what is open in it, and that, which goes on beyond it at either end.
    """
    from manifold3d import Manifold

    sides, tip = len(circle(core.inlet, chord_error=chord_error)), core.back - core.length
    print_ = Manifold.cylinder(core.length + OVERLAP, core.end, core.inlet, sides).translate((0.0, 0.0, tip))
    above = air.trim_by_plane((0.0, 0.0, 1.0), core.top)
    within = air.trim_by_plane((0.0, 0.0, 1.0), core.back).trim_by_plane((0.0, 0.0, -1.0), -core.top)
    pattern, inner = (each.simplify(MERGED) for each in (whole - above + print_, within + print_))
    return as_mesh(pattern, 0)[0], as_mesh(inner, 0)[0]
