"""An oblong body built up of sheets: what the files say is cut holds the solid, and dowels stand within it (Booleans of
manifold3d); outlines against the solid's shadow; full stock where a router cuts the outside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from manifold3d import Manifold, OpType
from manifold3d import Mesh as Triangles

from evenflare.files import InputError
from evenflare.manufacture.milling.programs import stock_size
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.sheets.dowels import APART, ROOM, wrong_way_misses
from evenflare.manufacture.sheets.glue_up import glue_up_text
from evenflare.manufacture.sheets.lamination import laminate
from evenflare.manufacture.sheets.layer_files import export_layers
from evenflare.units import MILLIMETRE as MM
from test_manufacture_body_layers import as_cut, cylinder
from test_manufacture_oblong_body import BEHIND, SOLID, made_of

CHORD, LEFT = 0.1 * MM, 0.5 * MM


@pytest.fixture(scope="module", params=["ellipse", "widens to its back"])
def part(request):
    """Part, its solid in mm, and the process with its seat."""
    made = made_of(request.param)
    mesh = made.mesh(CHORD)
    solid = Manifold(Triangles((mesh.vertices / MM).astype(np.float32), mesh.faces.astype(np.uint32)))
    return made, solid, replace(read_process("sheets"), seat=made.features.seat, stock_left=LEFT)


def test_the_layers_hold_the_solid_and_the_solid_their_dowels(part, tmp_path):
    made, solid, process = part
    built = export_layers(
        made.waveguide, SOLID, process, tmp_path, chord_error=CHORD, design_id="0a1b2c", name="free"
    ).lamination
    stack, dowels = as_cut(tmp_path, screws=25.0)
    # The solid's recess and holes are polygons within their circles, by its chord error at most.
    seat = made.features.seat
    sides = np.pi * (seat.diameter * seat.depth + 4 * seat.hole_diameter * seat.hole_depth) / MM**2
    assert (solid - stack).volume() < sides * CHORD / MM
    assert stack.volume() > 1.1 * solid.volume()
    # Layers that are two hundredths too narrow are told by this.
    assert (solid - stack.scale((0.98, 0.98, 1.0))).volume() > 2 * sides * CHORD / MM
    assert len(dowels) == 2 * 3 * (len(built.layers) - 1)
    # With all of ROOM but the chord error around each, they lie in what the solid has left.
    rooms = [cylinder(radius + ROOM / MM - CHORD / MM, low, high, x, y) for x, y, radius, low, high in dowels]
    assert (Manifold.batch_boolean(rooms, OpType.Add) - solid).volume() < 1e-3 * rooms[0].volume()
    for front, back in zip(built.layers, built.layers[1:], strict=False):
        above = {(hole.x, hole.y) for hole in front.dowels if hole.operation == "drill_back"}
        assert above == {(hole.x, hole.y) for hole in back.dowels if hole.operation == "drill_front"}
        assert wrong_way_misses(np.array(sorted(above))) > APART
    text = (tmp_path / "glue_up.txt").read_text(encoding="utf-8")
    width, height = (side / MM for side in built.layers[0].outside.size)
    assert f"outside {width:.4f} x {height:.4f}  left on it up to {built.layers[0].left_outside / MM:.4f}" in text


def test_a_ring_is_as_wide_as_the_shadow_of_what_its_sheet_holds(part):
    made, solid, process = part
    built = laminate(made.waveguide, made.sizes, process, chord_error=CHORD)
    for layer in built.layers:
        low, high = max(layer.z_from, -BEHIND) / MM, layer.z_to / MM
        inside = solid.trim_by_plane((0, 0, 1), low).trim_by_plane((0, 0, -1), -high)
        shadow = shapely.union_all([shapely.Polygon(ring) for ring in inside.project().to_polygons()])
        shadow = shapely.Polygon(shadow.exterior).buffer(LEFT / MM)
        cut = shapely.Polygon(layer.outside.points / MM)
        # The mesh's chord error, and of the outline as much outward.
        assert shapely.hausdorff_distance(cut.exterior, shadow.exterior) < 3 * CHORD / MM
        assert shadow.buffer(-CHORD / MM).within(cut)
        sections = [inside.slice(z) for z in (low + 1e-3, 0.5 * (low + high), high - 1e-3)]
        outlines = [shapely.Polygon(max(each.to_polygons(), key=len)) for each in sections]
        left = max(shapely.distance(shapely.points(cut.exterior.coords), each).max() for each in outlines)
        # A micrometre of depth is a tenth of a millimetre where the rim leaves the mouth plane.
        assert layer.left_outside / MM == pytest.approx(left, abs=0.5)


def test_layers_are_full_stock_where_a_router_cuts_the_outside(part):
    made, _, process = part
    router = replace(read_process("router"), seat=process.seat, makes=("sheets", "mill_programs"), stock=process.stock)
    built = laminate(made.waveguide, made.sizes, router, chord_error=CHORD)
    for layer in built.layers:
        assert layer.outside.size == pytest.approx(stock_size(made.waveguide, router, made.sizes)[:2])
    assert "  outside " not in glue_up_text(built, router, (), kind="body")


def test_a_joint_without_room_for_dowels_is_refused():
    made = made_of("ellipse")
    process = replace(read_process("sheets"), seat=replace(made.features.seat, diameter=84 * MM))
    with pytest.raises(InputError, match=r"no room for three dowels of 4 .* two layers at z_mm = -12, between wall"):
        laminate(made.waveguide, made.sizes, process, chord_error=CHORD)
