"""A body built up of sheets: what the files say is cut holds the solid, and dowels stand within it (Booleans of
manifold3d); radii against a geometry library's section; full stock where a machine cuts the outside."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest
import shapely
from manifold3d import CrossSection, Manifold, OpType
from manifold3d import Mesh as Triangles

from bodies import CYLINDER, ROLLED
from evenflare.files import InputError
from evenflare.manufacture import solid_sizes
from evenflare.manufacture.milling.programs import stock_size
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.outline import body_outside
from evenflare.manufacture.part.stl import build_round
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.sheets.dowels import APART, ROOM, wrong_way_misses
from evenflare.manufacture.sheets.lamination import laminate
from evenflare.manufacture.sheets.layer_files import export_layers
from evenflare.units import MILLIMETRE as MM

CHORD, LEFT = 0.1 * MM, 0.5 * MM
SIDES = 240


def parts(design):
    """Sizes, and the process with the body's seat."""
    sizes = solid_sizes(design.waveguide.meridian, design.solid, body=design.waveguide.mounting.body)
    features = fitted(design.waveguide, sizes, features_of(design.solid))
    return sizes, features, replace(read_process("sheets"), seat=features.seat, stock_left=LEFT)


def rows(path):
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def cylinder(radius, low, high, x=0.0, y=0.0):
    """Its corners outside the circle, mm."""
    grown = radius / np.cos(np.pi / SIDES)
    return Manifold.cylinder(high - low, grown, grown, SIDES).translate((x, y, low))


def cut_through(rows, low, high):
    """What an outline of points, or the circle that they lie on, cuts between two heights, mm."""
    if rows[0]["radius_mm"]:
        return cylinder(float(rows[0]["radius_mm"]), low, high)
    outline = CrossSection([[(float(row["x_mm"]), float(row["y_mm"])) for row in rows]])
    return outline.extrude(high - low).translate((0.0, 0.0, low))


def as_cut(folder, *, screws=38.0):
    """The layers that both tables tell, mm, and their dowels' holes as (x, y, radius, low, high).

    screws : mm, from the axis to the driver's holes.
    """
    listed, dowels = rows(folder / "layer_points.csv"), []
    found = Manifold()
    for layer in rows(folder / "layers.csv"):
        low, high = float(layer["z_from_mm"]), float(layer["z_to_mm"])
        mine = [row for row in listed if row["layer"] == layer["layer"]]
        outer, inner = ([row for row in mine if row["operation"] == cut] for cut in ("cut_outside", "cut_inside"))
        taken = [cut_through(inner, low - 1, high + 1)]
        for row in mine:
            if row["operation"] in ("pocket_back", "drill_back", "drill_front"):
                x, y, radius, deep = (float(row[key]) for key in ("x_mm", "y_mm", "radius_mm", "depth_mm"))
                span = (high - deep, high) if row["operation"] == "drill_front" else (low, low + deep)
                if np.hypot(x, y) == pytest.approx(screws):
                    taken.append(cylinder(radius, *span, x, y))
                elif row["operation"] == "pocket_back":
                    taken.append(cylinder(radius, *span))
                else:
                    dowels.append((x, y, radius, *span))
        found += cut_through(outer, low, high) - Manifold.batch_boolean(taken, OpType.Add)
    return found, dowels


@pytest.mark.parametrize("text", [ROLLED, CYLINDER], ids=["rolled shell", "round cabinet"])
def test_the_layers_hold_the_solid_and_the_solid_their_dowels(text, read, tmp_path):
    design = read(text)
    sizes, features, process = parts(design)
    made = export_layers(
        design.waveguide, design.solid, process, tmp_path, chord_error=CHORD, design_id="0a1b2c", name="free"
    ).lamination
    mesh = build_round(design.waveguide.meridian, sizes, features, chord_error=CHORD)
    solid = Manifold(Triangles((mesh.vertices / MM).astype(np.float32), mesh.faces.astype(np.uint32)))
    stack, dowels = as_cut(tmp_path)
    # The solid's recess and holes are polygons within their circles, by its chord error at most.
    recess = np.pi * 90 * (45 if text is ROLLED else 50) + 4 * np.pi * 8 * 8
    missing = (solid - stack).volume()
    assert missing < recess * CHORD / MM
    assert stack.volume() > 1.1 * solid.volume()
    # Layers that are two hundredths too narrow are told by this.
    assert (solid - stack.scale((0.98, 0.98, 1.0))).volume() > 2 * recess * CHORD / MM
    assert len(dowels) == 2 * 3 * (len(made.layers) - 1)
    # With all of ROOM but the chord error around each, they lie in what the solid has left.
    rooms = [cylinder(radius + ROOM / MM - CHORD / MM, low, high, x, y) for x, y, radius, low, high in dowels]
    held = Manifold.batch_boolean(rooms, OpType.Add)
    assert (held - solid).volume() < 1e-3 * rooms[0].volume()
    for front, back in zip(made.layers, made.layers[1:], strict=False):
        above = {(hole.x, hole.y) for hole in front.dowels if hole.operation == "drill_back"}
        assert above == {(hole.x, hole.y) for hole in back.dowels if hole.operation == "drill_front"}
        assert wrong_way_misses(np.array(sorted(above))) > APART


def test_a_ring_is_as_wide_as_the_outside_within_its_sheet_and_what_is_left(read):
    design = read(ROLLED)
    sizes, features, process = parts(design)
    made = laminate(design.waveguide, sizes, process, chord_error=CHORD)
    frame = body_outside(design.waveguide.meridian, sizes.body, chord_error=1e-7)
    line, back = shapely.LineString(np.column_stack([frame.z, frame.r])), -features.seat.depth
    for layer in made.layers:
        inside = line.intersection(shapely.box(max(layer.z_from, back) + 1e-6, 0.0, layer.z_to - 1e-6, 1.0))
        _, least, _, most = inside.bounds
        # A micrometre of depth is a tenth of a millimetre of radius where the rim leaves the mouth plane.
        assert layer.outside.radius == pytest.approx(most + LEFT, abs=1e-6)
        assert layer.left_outside == pytest.approx(most + LEFT - least, abs=0.3 * MM)
    assert min(layer.outside.radius for layer in made.layers) < 0.7 * max(layer.outside.radius for layer in made.layers)


def test_layers_are_full_stock_where_a_machine_cuts_the_outside(read):
    design = read(ROLLED)
    sizes, _, process = parts(design)
    for name, product in (("router", "mill_programs"), ("lathe", "lathe_programs")):
        machine = replace(read_process(name), seat=process.seat, makes=("sheets", product), stock=process.stock)
        made = laminate(design.waveguide, sizes, machine, chord_error=CHORD)
        for layer in made.layers:
            assert layer.outside.size == pytest.approx(stock_size(design.waveguide, machine, sizes)[:2])
            assert (layer.outside.radius is None) == (name == "router")


def test_a_body_without_room_for_dowels_is_refused(read):
    design = read(CYLINDER)
    sizes, _, process = parts(design)
    thin = replace(process, stock=replace(process.stock, sheet_thickness=6 * MM))
    with pytest.raises(InputError, match=r"sheet_thickness_mm: .* must be 8 or more"):
        laminate(design.waveguide, sizes, thin, chord_error=CHORD)
    narrow = read(
        ROLLED.replace("back_diameter_mm = 120", "back_diameter_mm = 96").replace(
            "edge_radius_mm = 5", "edge_radius_mm = 1"
        )
    )
    sizes, _, process = parts(narrow)
    with pytest.raises(InputError, match=r"no room for three dowels of 4 .* at z_mm = -38, between wall or recess"):
        laminate(narrow.waveguide, sizes, process, chord_error=CHORD)
