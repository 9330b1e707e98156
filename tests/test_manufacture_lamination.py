"""Blocks of layers: what is cut, against the wall and closed forms; dowels; places on sheets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.files import InputError
from evenflare.manufacture.part.rings import radius_at, sizes_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import DriverSeat, Stock
from evenflare.manufacture.sheets.dowels import APART, BOLT_ROOM, ROOM, wrong_way_misses
from evenflare.manufacture.sheets.lamination import laminate, layer_thicknesses, on_sheet
from evenflare.manufacture.sheets.nesting import capacity, nest
from evenflare.units import DEGREE
from evenflare.waveguide import FAMILIES, Conical, OblateSpheroidal, Points, Waveguide
from oblongs import MM, SHAPES, THROAT, Choice, bore_of_cones, cones

SHEETS = read_process("sheets")
FINE = replace(SHEETS, stock=replace(SHEETS.stock, sheet_thickness=1 * MM))
CONE = Waveguide(Conical(90 * MM, 42 * DEGREE))
HYPERBOLOID = Waveguide(OblateSpheroidal(90 * MM, 40 * DEGREE))
WAIST = Waveguide(Points(((0.0, 0.03), (0.035, 0.02), (0.05, 0.06))))


def layered(waveguide, process=SHEETS, choice=None, **options):
    sizes = sizes_of(waveguide, choice or Choice())
    return laminate(waveguide, sizes, process, chord_error=0.05 * MM, **options)


def test_radius_at_a_depth_is_the_cone_s():
    for z in (0.0, 0.0123, 0.09):
        # By bisection: to rounding.
        assert radius_at(CONE.meridian, z) == pytest.approx(THROAT + z * np.tan(42 * DEGREE), abs=1e-12)


def test_bevelled_layers_of_a_cone_have_the_volume_of_cylinder_less_frustum():
    made = layered(CONE, style="bevel", allowance=0.0)
    mouth, edge = THROAT + 90 * MM * np.tan(42 * DEGREE), THROAT + 90 * MM * np.tan(42 * DEGREE) + 20 * MM
    # Frustum: pi h (a^2 + a b + b^2) / 3.
    frustum = np.pi * 90 * MM * (THROAT**2 + THROAT * mouth + mouth**2) / 3
    assert len(made.layers) == 5
    # Exact but for the 1e-12 m to which radii are found.
    assert made.in_part == pytest.approx(np.pi * edge**2 * 90 * MM - frustum, rel=1e-7)
    assert max(layer.left for layer in made.layers) < 1e-9


def test_steps_of_a_cone_leave_what_the_closed_form_says():
    made = layered(CONE, allowance=0.0)
    for layer in made.layers:
        # A straight cut at the back's radius leaves the cone's rise over one sheet.
        assert layer.left == pytest.approx(18 * MM * np.tan(42 * DEGREE), abs=1e-8)
        assert layer.cuts[0][0] == "cut_inside"
        assert layer.cuts[0][1].radius == pytest.approx(THROAT + layer.z_from * np.tan(42 * DEGREE), abs=1e-9)


def test_thin_bevelled_layers_converge_on_the_hyperboloid():
    # r^2 = r0^2 + z^2 tan^2: the bore holds pi (r0^2 d + d^3 tan^2 / 3).
    depth, slope = 90 * MM, np.tan(40 * DEGREE)
    bore = np.pi * (THROAT**2 * depth + depth**3 * slope**2 / 3)
    edge = np.sqrt(THROAT**2 + depth**2 * slope**2) + 20 * MM
    exact = np.pi * edge**2 * depth - bore
    errors = []
    for thickness in (6 * MM, 3 * MM):
        process = replace(SHEETS, stock=replace(SHEETS.stock, sheet_thickness=thickness))
        errors.append(layered(HYPERBOLOID, process, style="bevel", allowance=0.0).in_part - exact)
    # A wall that bulges into the air is never cut into: material is left, by the sagitta, of second order.
    assert errors[1] > 0
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.1)


def test_bevelled_layers_of_elliptical_cones_have_their_closed_form():
    made = layered(cones(), style="bevel", allowance=0.0)
    a, b = (0.5 * side for side in made.layers[0].outside.size)
    exact = 4 * a * b * 90 * MM - bore_of_cones()
    # Polygons of 0.05 mm chord error within ellipses: that much over the wall, 40000 mm2, of 2.4 million mm3.
    assert 0 < made.in_part - exact < 0.05 * MM * 40000e-6
    assert made.in_part == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize("style", ["step", "bevel"])
@pytest.mark.parametrize("name", ["cone", "rolled", "rectangle", "oblate"])
def test_no_layer_of_an_oblong_block_cuts_into_the_wall(name, style):
    surface = SHAPES[name].surface
    made = layered(SHAPES[name], style=style, allowance=0.2 * MM)
    psi = np.linspace(0.0, 2 * np.pi, 361)
    for layer in made.layers:
        low = max(layer.z_from, 0.0)
        for share in np.linspace(0.01, 0.99, 7):
            z = low + share * (layer.z_to - low)
            stretch = int(np.clip(np.searchsorted(surface.cuts, z) - 1, 0, len(surface.cuts) - 2))
            wall = shapely.Polygon(surface.patch(np.array([z]), psi, stretch=stretch).points[0, :, :2])
            first, last = layer.cuts[-1][1].points, layer.cuts[0][1].points
            # What a straight slope sweeps lies within the hull of both outlines only at its ends: between, mixed.
            cut = first if len(layer.cuts) == 1 else None
            if cut is None:
                angle = np.linspace(0, 2 * np.pi, 181)
                ray = np.column_stack([np.cos(angle), np.sin(angle)])
                ends = []
                for outline in (first, last):
                    ring = shapely.LinearRing(outline)
                    rays = shapely.linestrings(np.stack([0 * ray, ray], axis=1))
                    ends.append(shapely.distance(shapely.Point(0, 0), shapely.intersection(rays, ring)))
                cut = ((1 - share) * ends[0] + share * ends[1])[:, None] * ray
            # The wall's own polygon of one degree stands 4e-5 of 100 mm within it.
            assert shapely.distance(shapely.points(cut), wall).max() < 5e-6


@settings(deadline=None, max_examples=12)
@given(family=st.sampled_from(FAMILIES), seed=st.integers(0, 2**20), style=st.sampled_from(["step", "bevel"]))
def test_no_layer_of_a_round_block_cuts_into_the_wall(family, seed, style):
    waveguide = drawn(family, seed)
    made = layered(waveguide, style=style, allowance=0.3 * MM)
    wall = waveguide.meridian.dense
    for layer in made.layers:
        back, front = layer.cuts[-1][1].radius, layer.cuts[0][1].radius
        # The cut counts over the layer's whole thickness, its surplus included.
        inside = (wall.z >= layer.z_from) & (wall.z <= layer.z_to)
        share = (wall.z[inside] - layer.z_from) / layer.thickness
        left = wall.r[inside] - (back + share * (front - back))
        # Between points of the wall: its chords stand 0.5 um off it, sideways up to a micrometre and a half.
        assert left.size == 0 or left.min() > 0.3 * MM - 1.5e-6
        assert left.size == 0 or left.max() < layer.left + 1.5e-6


def test_waist_is_cut_at_its_narrowest():
    made = layered(WAIST, allowance=0.0)
    narrowest = WAIST.meridian.dense.r.min()
    assert min(layer.cuts[0][1].radius for layer in made.layers) == pytest.approx(narrowest, abs=2e-6)


def test_recess_behind_the_throat_plane_is_open_in_its_layers_and_not_before():
    process = replace(SHEETS, seat=DriverSeat(diameter=102 * MM, depth=20 * MM))
    made = layered(CONE, process, allowance=0.0)
    first, *_, last = made.layers
    assert (first.z_to, last.z_from) == pytest.approx((90 * MM, -36 * MM), abs=1e-9)
    assert made.surplus == pytest.approx(16 * MM, abs=1e-9)
    recess = [layer for layer in made.layers if layer.z_to <= 0]
    assert [layer.cuts[0][1].radius for layer in recess] == pytest.approx([51 * MM] * len(recess))
    # A layer on both sides of the throat plane is cut at the throat.
    shifted = replace(process, stock=replace(process.stock, sheet_thickness=20 * MM))
    across = next(layer for layer in layered(CONE, shifted, allowance=0.0).layers if layer.z_from < 0 < layer.z_to)
    assert across.cuts[0][1].radius == pytest.approx(THROAT)


def test_measured_thickness_is_that_of_the_sheet_a_layer_lies_on():
    stock = Stock("sheet", None, 18 * MM, (17.6 * MM, 18.1 * MM), (1.0, 1.0), 8 * MM)
    assert layer_thicknesses(60 * MM, stock, capacity=2) == pytest.approx([0.0176, 0.0176, 0.0181, 0.0181])
    assert layer_thicknesses(36 * MM, replace(stock, measured_thickness=()), capacity=2) == pytest.approx([0.018] * 2)
    # 0.1 mm that glue and planing take are no layer of their own.
    assert len(layer_thicknesses(36.1 * MM, replace(stock, measured_thickness=()), capacity=2)) == 2
    process = replace(SHEETS, stock=replace(SHEETS.stock, measured_thickness=(17.4 * MM, 18 * MM, 17.9 * MM)))
    small = replace(process, stock=replace(process.stock, sheet_size=(0.5, 0.3)))
    made = layered(CONE, small)
    thick = {0: 17.4 * MM, 1: 18 * MM}
    for layer, place in zip(made.layers, made.places, strict=True):
        assert layer.thickness == pytest.approx(thick.get(place.sheet, 17.9 * MM), abs=1e-9)
    assert sum(layer.thickness for layer in made.layers) - made.surplus == pytest.approx(90 * MM, abs=1e-8)


@pytest.mark.parametrize("name", ["round", "cone", "rectangle"])
def test_dowels_are_clear_of_opening_edge_and_bolts_and_fit_in_one_way_only(name):
    waveguide = CONE if name == "round" else SHAPES[name]
    made = layered(waveguide)
    assert len(made.dowels) == 3
    for place in made.dowels:
        hole = shapely.Point(place).buffer(0.5 * made.dowel_diameter)
        for layer in made.layers:
            assert hole.within(layer.outside.polygon)
            # A micrometre of rounding.
            assert hole.distance(layer.outside.polygon.exterior) > ROOM - 1e-6
            for outline in (layer.front, layer.back, *(cut for _, cut in layer.cuts)):
                assert hole.distance(outline.polygon) > ROOM - 1e-6
        for bolt in made.bolts:
            assert hole.distance(shapely.Point(bolt)) > BOLT_ROOM - 1e-4
    assert wrong_way_misses(np.array(made.dowels)) > APART
    label = shapely.Point(made.layers[0].label).buffer(4 * MM)  # a figure is 6 mm high
    assert label.within(made.layers[0].outside.polygon)
    assert not label.intersects(made.layers[0].front.polygon)


def test_even_dowels_would_fit_in_a_wrong_way():
    turn = np.array([0, 120, 240]) * DEGREE
    assert wrong_way_misses(0.1 * np.column_stack([np.cos(turn), np.sin(turn)])) < 1e-9


@settings(deadline=None, max_examples=60)
@given(
    sizes=st.lists(st.tuples(st.floats(0.02, 0.4), st.floats(0.02, 0.4)), min_size=1, max_size=12),
    spacing=st.floats(0.0, 0.02),
)
def test_every_nested_part_lies_inside_its_sheet_and_none_overlap(sizes, spacing):
    sheet = (0.6, 0.45)
    places = nest(sizes, sheet=sheet, spacing=spacing)
    boxes = {}
    for (width, height), place in zip(sizes, places, strict=True):
        across, up = (height, width) if place.turned else (width, height)
        box = shapely.box(place.x - across / 2, place.y - up / 2, place.x + across / 2, place.y + up / 2)
        # Rounding of sums.
        assert box.within(shapely.box(spacing - 1e-8, spacing - 1e-8, *(side - spacing + 1e-8 for side in sheet)))
        for other in boxes.setdefault(place.sheet, []):
            assert box.distance(other) > spacing - 1e-8
            assert box.intersection(other).area < 1e-12
        boxes[place.sheet].append(box)
    assert sorted(boxes) == list(range(len(boxes)))


def test_layers_lie_clear_of_each_other_on_their_sheets():
    made = layered(SHAPES["rectangle"])
    for sheet in range(made.sheets):
        parts = [
            shapely.Polygon(on_sheet(layer.outside.points, place))
            for layer, place in zip(made.layers, made.places, strict=True)
            if place.sheet == sheet
        ]
        for i, part in enumerate(parts):
            assert part.within(shapely.box(0, 0, *made.sheet))
            assert all(part.distance(other) > SHEETS.stock.spacing - 1e-8 for other in parts[:i])


def test_parts_are_turned_where_that_fits_more():
    # Two of 0.5 by 0.3 stand side by side on 0.65 by 0.55 only when turned.
    places = nest([(0.5, 0.3)] * 2, sheet=(0.65, 0.55), spacing=0.01)
    assert [place.turned for place in places] == [True, True]
    assert {place.sheet for place in places} == {0}
    assert capacity((0.5, 0.3), sheet=(0.65, 0.55), spacing=0.01) == 2


@pytest.mark.parametrize("sheet", [(0.5, 1.5), (1.5, 0.5), (1.0, 0.75)])
def test_parts_that_tile_a_sheet_fill_it(sheet):
    # Area over area: 0.75 by 0.125 m2.
    assert capacity((0.25, 0.5), sheet=sheet, spacing=0.0) == 6


def test_yield_is_area_of_layers_over_area_of_sheets():
    made = layered(CONE)
    area = sum(layer.outside.area - layer.cuts[0][1].area for layer in made.layers)
    assert made.share_used == pytest.approx(area / (made.sheets * 1.22 * 0.61))
    assert 0.1 < made.share_used < 0.9


@pytest.mark.parametrize(
    ("choice", "change", "message"),
    [
        (Choice("shell"), {}, r'\[solid\] kind = "shell": only a block or a free-standing body is built up'),
        (Choice(), {"stock": Stock("block")}, r'\[stock\] kind = "block": must be "sheet" to cut layers'),
        (
            Choice(),
            {"stock": replace(SHEETS.stock, sheet_size=(0.2, 0.6))},
            r"sheet_size_mm = \[200, 600\]: a layer of 227\.5 by 227\.5 .* does not fit\. Take a larger sheet",
        ),
        (Choice(flange_diameter=195 * MM), {}, r"leaves no room between opening and edge for three dowels of 8 mm"),
        (
            Choice(),
            {"seat": DriverSeat(diameter=300 * MM, depth=5 * MM)},
            r"\[seat\] diameter_mm = 300: must be below the block's outside, 227\.5",
        ),
        (
            Choice(),
            {"stock": replace(SHEETS.stock, sheet_thickness=0.1 * MM)},
            r"sheet_thickness_mm = 0\.1: would need more than 500 layers",
        ),
    ],
)
def test_what_makes_no_lamination_is_refused(choice, change, message):
    with pytest.raises(InputError, match=message):
        layered(CONE, replace(SHEETS, **change), choice)
