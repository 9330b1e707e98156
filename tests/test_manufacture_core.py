"""The core that forms a throat which does not draw: its volume, its fit, and where wall and print are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from evenflare.files import InputError
from evenflare.manufacture.casting.pattern import build_pattern
from evenflare.manufacture.casting.pattern_files import export_pattern
from evenflare.manufacture.part.rings import sizes_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Casting, DriverSeat
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, OblateSpheroidal, Waveguide
from oblongs import MM, SHAPES, Choice

PLAIN = Casting("bronze", 0.013, "casting", 3 * MM, 1.5 * DEGREE, "front", 12)
PRINTED = replace(PLAIN, core_print=18 * MM)
# Its wall begins along the axis: the first stretch does not draw.
BELL = Waveguide(OblateSpheroidal(80 * MM, 40 * DEGREE, 12 * MM))


def pattern_of(casting: Casting, kind: str = "block"):
    return build_pattern(BELL, sizes_of(BELL, Choice(kind=kind)), casting, chord_error=0.02 * MM)


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_pattern_with_a_core_is_closed_and_the_core_taken_out_leaves_the_plain_pattern(kind):
    plain, printed = pattern_of(PLAIN, kind), pattern_of(PRINTED, kind)
    bodies = [trimesh.Trimesh(each.vertices, each.faces) for each in (plain.mesh, printed.mesh, printed.core_mesh)]
    assert all(body.is_watertight and body.body_count == 1 for body in bodies)
    without, filled, core = (body.volume for body in bodies)
    # The core overlaps the part by 0.5 um over some 20 cm2: 1e-9 m3.
    assert filled == pytest.approx(without + core, abs=1.5e-9)


def test_print_has_the_volume_of_its_frustum():
    """pi h (R2 + R r + r2) / 3, from the raw back on: what the core has there, contraction taken out."""
    made = pattern_of(PRINTED)
    core, factor = made.core, made.factor
    behind = trimesh.Trimesh(made.core_mesh.vertices / factor, made.core_mesh.faces).slice_plane(
        [0, 0, made.back], [0, 0, -1], cap=True
    )
    inlet = core.end + core.length * np.tan(3 * DEGREE)
    frustum = np.pi * core.length * (inlet**2 + inlet * core.end + core.end**2) / 3
    # The polygon around the axis holds sin(2 pi / n) n / 2 pi of its circle: 0.9998 of it at 150 sides.
    assert behind.volume == pytest.approx(frustum, rel=1e-3)


def test_core_forms_the_zone_and_leaves_the_rest_of_the_wall_to_the_sand():
    made = pattern_of(PRINTED)
    assert made.core is not None
    zone = made.zones[0]
    assert (zone.z_from, made.core.top) == pytest.approx((0.0, zone.z_to), abs=1e-9)
    mesh = trimesh.Trimesh(made.mesh.vertices, made.mesh.faces)
    filled = []
    for z in (0.9 * zone.z_to, 1.1 * zone.z_to):
        cut, to_space = mesh.section([0, 0, 1], [0, 0, z * made.factor]).to_2D()
        axis = shapely.Point(*(-to_space[:2, 3] @ to_space[:2, :2]))
        # Within the outside alone there is material; within the bore as well there is none.
        filled.append(sum(polygon.contains(axis) for polygon in cut.polygons_closed) == 1)
    assert filled == [True, False]


def test_core_forms_the_recess_too_and_taken_out_leaves_the_plain_pattern():
    seat, sizes = DriverSeat(diameter=80 * MM, depth=12 * MM), sizes_of(BELL, Choice())
    plain, printed = (build_pattern(BELL, sizes, each, chord_error=0.02 * MM, seat=seat) for each in (PLAIN, PRINTED))
    bodies = [trimesh.Trimesh(each.vertices, each.faces) for each in (plain.mesh, printed.mesh, printed.core_mesh)]
    assert all(body.is_watertight and body.body_count == 1 for body in bodies)
    without, filled, core = (body.volume for body in bodies)
    # An overlap of 0.5 um over some 70 cm2: 3.5e-9 m3.
    assert filled == pytest.approx(without + core, abs=5e-9)
    # Of the recess alone: its frustum by pi h (R2 + R r + r2) / 3, 3 mm and the draft less at its floor.
    floor = 40 * MM - 3 * MM - 12 * MM * np.tan(1.5 * DEGREE)
    edge = floor + 12 * MM * np.tan(1.5 * DEGREE)
    frustum = np.pi * 12 * MM * (floor**2 + floor * edge + edge**2) / 3
    within = trimesh.Trimesh(printed.core_mesh.vertices / printed.factor, printed.core_mesh.faces)
    for z, up in ((printed.back, 1.0), (printed.back + 12 * MM, -1.0)):
        within = within.slice_plane([0, 0, z], [0, 0, up], cap=True)
    assert within.volume == pytest.approx(frustum, rel=1e-3)


def test_core_file_stands_beside_the_pattern(tmp_path):
    process = replace(read_process("casting"), casting=PRINTED)
    made = export_pattern(
        BELL, Choice(), process, tmp_path, chord_error=0.05 * MM, design_id="0a1b2c", name="shelf horn"
    )
    assert made.core is not None
    assert trimesh.load(made.core).is_watertight
    assert "core.stl" in (tmp_path / "pattern.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize("waveguide", [Waveguide(Conical(90 * MM, 42 * DEGREE)), next(iter(SHAPES.values()))])
def test_a_print_that_is_of_no_use_is_refused(waveguide):
    with pytest.raises(InputError, match="the wall draws at the throat"):
        build_pattern(waveguide, sizes_of(waveguide, Choice()), PRINTED, chord_error=0.05 * MM, seat=DriverSeat())
