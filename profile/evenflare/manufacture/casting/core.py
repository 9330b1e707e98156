"""The dry-sand core that forms a throat which does not draw, and the print that holds it in the mould."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.casting.draft import Zone
from evenflare.manufacture.part.boolean import body
from evenflare.manufacture.part.solid import Mesh
from evenflare.manufacture.wall.spacing import rolled
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian, sampled

PRINT_TAPER = 3 * DEGREE
"""Of the print's side, so that the core slides into its seat (common practice, no source: ask the foundry)."""
OVERLAP = 0.5e-6
"""m, by which the core reaches into the pattern that it is joined with: bodies that only touch stay apart."""
_AT_THROAT = 1e-6


@dataclass(frozen=True)
class Core:
    """A core at casting size, of a round part; lengths in m.

    outline : (M, 2) in (z, r), from the axis at the top along the wall to the axis at the print's end.
    top     : z up to which it forms the bore.
    length  : of the print, behind the raw casting.
    end     : radius at the print's end.
    """

    outline: FloatArray
    top: float
    length: float
    end: float


def core_of(
    meridian: Meridian,
    zones: tuple[Zone, ...],
    *,
    behind: FloatArray,
    length: float,
    chord_error: float,
) -> Core:
    """The core of the zone at the throat, and of all that is open behind it; its print is `length` m long.

    behind : (N, 2), z and r of the raw casting's opening from behind the throat plane to its back, m.

    inlet  : m, radius of the raw bore at the back.
    Errors : InputError if the wall draws at the throat.
    """
    at_throat = [zone for zone in zones if zone.z_from <= _AT_THROAT]
    if not at_throat:
        raise InputError(
            f"[casting] core_print_mm = {length / MILLIMETRE:g}: the wall draws at the throat, so that no core is set"
            " there. Leave it out"
        )
    top = at_throat[0].z_to
    wall = rolled(sampled(meridian, chord_error=chord_error), step=5 * DEGREE)
    # Above the zone the wall opens: depth and radius are then one to one up to its end.
    inside = wall.z <= top
    rim = float(np.interp(top, wall.z, wall.r))
    bore = np.column_stack([wall.z[inside], wall.r[inside]])[::-1]
    back, inlet = behind[-1].tolist()
    end = inlet - length * float(np.tan(PRINT_TAPER))
    if end < 0.5 * inlet:
        raise InputError(
            f"[casting] core_print_mm = {length / MILLIMETRE:g}: its taper would leave less than half of the radius"
            f" where it begins: must be at most {0.5 * inlet / np.tan(PRINT_TAPER) / MILLIMETRE:.0f}. Lower it"
        )
    points = [(top, 0.0), (top, rim), *bore.tolist(), *behind.tolist(), (back - length, end), (back - length, 0.0)]
    return Core(np.asarray(points), top, length, end)


def core_mesh(core: Core, *, sides: int) -> Mesh:
    """The core as a closed mesh at casting size."""
    return _mesh(_turned(core.outline, sides))


def with_core(part: Mesh, core: Core, *, sides: int) -> Mesh:
    """A pattern whose bore is filled as far as the core reaches, with its print: where the core is set, no sand is."""
    import shapely
    from shapely.geometry.polygon import orient

    grown = shapely.Polygon(core.outline).buffer(OVERLAP, join_style="mitre")
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
