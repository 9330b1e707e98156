"""Drawings of layers: audited and read by the library, and as the text that they are."""

from __future__ import annotations

from dataclasses import replace

import ezdxf
import numpy as np
import pytest
import shapely

from evenflare.files import InputError
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.sheets.dxf import Circle, Closed, Words, write_dxf
from evenflare.manufacture.sheets.layer_files import COLUMNS, export_layers
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Waveguide
from oblongs import MM, SHAPES, Choice

SHEETS = read_process("sheets")
SMALL = replace(SHEETS, stock=replace(SHEETS.stock, sheet_size=(0.6, 0.5)))
CONE = Waveguide(Conical(90 * MM, 42 * DEGREE, 20 * MM))
TOLD = {"chord_error": 0.05 * MM, "design_id": "0a1b2c", "name": "shelf horn"}


def read(path):
    document = ezdxf.readfile(path)
    audit = document.audit()
    assert audit.errors == []
    assert audit.fixes == []
    assert document.header["$INSUNITS"] == 4
    assert document.header["$MEASUREMENT"] == 1
    return document


def table(path):
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    assert lines[0] == ",".join(COLUMNS)
    return [dict(zip(COLUMNS, line.split(","), strict=True)) for line in lines[1:]]


def on(document, layer):
    return list(document.modelspace().query(f'*[layer=="{layer}"]'))


@pytest.mark.parametrize("style", ["step", "bevel"])
def test_round_layers_read_back_as_circles_at_finished_size(style, tmp_path):
    done = export_layers(CONE, Choice(), SMALL, tmp_path, style=style, **TOLD)
    assert [path.name for path in done.drawings] == ["layers.dxf", "layers_2.dxf", "layers_3.dxf"]
    rows = table(done.table)
    assert [row["layer"] for row in rows] == ["1", "2", "3", "4", "5"]
    for number, path in enumerate(done.drawings, start=1):
        document = read(path)
        here = [row for row in rows if row["sheet"] == str(number)]
        assert {row["file"] for row in here} == {path.name}
        circles = on(document, "cut_outside")
        assert [each.dxftype() for each in circles] == ["CIRCLE"] * len(here)
        for row, circle in zip(here, circles, strict=True):
            # The table has four decimals.
            assert 2 * circle.dxf.radius == pytest.approx(float(row["outside_width_mm"]), abs=1e-4)
            assert tuple(circle.dxf.center)[:2] == pytest.approx((float(row["x_mm"]), float(row["y_mm"])), abs=1e-4)
        for layer, key in (
            [("cut_inside", "cut_front_width_mm")]
            if style == "step"
            else [("cut_inside_front", "cut_front_width_mm"), ("cut_inside_back", "cut_back_width_mm")]
        ):
            drawn = [2 * each.dxf.radius for each in on(document, layer)]
            assert drawn == pytest.approx([float(row[key]) for row in here], abs=1e-4)
        holes = on(document, "drill")
        assert len(holes) == 3 * len(here)
        assert {each.dxf.radius for each in holes} == {4.0}
        assert [each.dxf.text for each in on(document, "engrave") if each.dxftype() == "TEXT"] == [
            row["layer"] for row in here
        ]
        (edge,) = on(document, "sheet")
        assert np.ptp(np.array(edge.get_points("xy")), axis=0) == pytest.approx([600, 500])


def test_oblong_layers_read_back_as_closed_polylines_clear_of_each_other(tmp_path):
    done = export_layers(SHAPES["rectangle"], Choice(), SHEETS, tmp_path, **TOLD)
    rows, count = table(done.table), 0
    for path in done.drawings:
        document = read(path)
        outsides, insides = on(document, "cut_outside"), on(document, "cut_inside")
        assert all(each.dxftype() == "LWPOLYLINE" and each.closed for each in [*outsides, *insides])
        parts = [shapely.Polygon(each.get_points("xy")) for each in outsides]
        holes = [shapely.Polygon(each.get_points("xy")) for each in insides]
        drills = [shapely.Point(tuple(each.dxf.center)[:2]).buffer(each.dxf.radius) for each in on(document, "drill")]
        for i, (part, hole) in enumerate(zip(parts, holes, strict=True)):
            assert hole.within(part)
            assert all(part.distance(other) > 8 - 1e-5 for other in parts[:i])
            inside = [drill for drill in drills if drill.within(part)]
            assert len(inside) == 3
            assert all(not drill.intersects(hole) for drill in inside)
            row = rows[count]
            size = float(row["cut_front_width_mm"]), float(row["cut_front_height_mm"])
            drawn = np.ptp(np.array(hole.exterior.coords), axis=0)
            # Seen on the sheet: width and height change places where the layer is turned.
            assert drawn == pytest.approx(size[::-1] if row["turned_deg"] == "90" else size, abs=1e-3)
            count += 1
    assert count == len(rows)


def test_bolts_of_the_flange_are_marked_on_the_first_layer_by_squares_of_3_mm(tmp_path):
    done = export_layers(CONE, Choice(bolts=6, bolt_circle=0.22), SHEETS, tmp_path, **TOLD)
    first = done.lamination.places[0]
    marks = [each for each in on(read(done.drawings[0]), "engrave") if each.dxftype() == "LWPOLYLINE"]
    points = np.array([each.get_points("xy") for each in marks])
    # Rounding of what is written.
    assert np.ptp(points, axis=1) == pytest.approx(np.full((6, 2), 3.0), abs=1e-4)
    middle = points.mean(axis=1) - np.array([first.x, first.y]) / MM
    assert np.hypot(*middle.T) == pytest.approx(np.full(6, 110.0), abs=1e-3)


def test_points_of_layers_are_the_outlines_drawn(tmp_path):
    done = export_layers(SHAPES["cone"], Choice(), SHEETS, tmp_path, **TOLD)
    lines = [line for line in done.points.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = [line.split(",") for line in lines[1:]]
    for layer in done.lamination.layers:
        points = np.array(
            [[float(row[3]), float(row[4])] for row in rows if row[:2] == [str(layer.number), "cut_inside"]]
        )
        assert points == pytest.approx(layer.cuts[0][1].points / MM, abs=1e-4)
        assert shapely.LinearRing(points).is_ccw


def test_sheets_of_paper_tell_order_and_cautions(tmp_path):
    done = export_layers(CONE, Choice(), SHEETS, tmp_path, **TOLD)
    for path in (done.table, done.glue_up):
        text = path.read_text(encoding="utf-8")
        assert "NOMINAL: measure the sheets first" in text
        assert "caution: wood and composite dust" in text
        assert "design id: 0a1b2c" in text
    text = done.glue_up.read_text(encoding="utf-8")
    places = [text.index(f"layer   {number}  z ") for number in range(1, 6)]
    assert places == sorted(places)
    assert "opening at its back diameter 24.4000" in text
    assert "yield: " in done.table.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("thickness", "recess", "told"),
    # A part of 90 mm, and with a recess 6 mm higher: five sheets of 18 are 90, of 20 are 100; six of 18 are 108.
    [
        (18, 0, "5. The back needs no planing if the stack has its height."),
        (20, 0, "5. Plane 10.0000 mm off the back, so that the block is 90.0000 mm high."),
        (18, 6, "5. Plane 12.0000 mm off the back, so that the block is 96.0000 mm high."),
    ],
)
def test_bench_is_told_what_to_plane_off_the_back(tmp_path, thickness, recess, told):
    stock = replace(SHEETS.stock, sheet_thickness=thickness * MM)
    seat = replace(SHEETS.seat, diameter=60 * MM if recess else 0.0, depth=recess * MM)
    done = export_layers(CONE, Choice(), replace(SHEETS, stock=stock, seat=seat), tmp_path, **TOLD)
    assert [line for line in done.glue_up.read_text(encoding="utf-8").splitlines() if line.startswith("5.")] == [told]


def test_the_same_layers_give_the_same_drawing(tmp_path):
    for folder in ("one", "two"):
        export_layers(CONE, Choice(), SHEETS, tmp_path / folder, **TOLD)
    names = ("layers.dxf", "layers.csv", "layer_points.csv", "glue_up.txt")
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_export_that_is_refused_writes_nothing(tmp_path):
    with pytest.raises(InputError, match="only a block or a free-standing body"):
        export_layers(CONE, Choice("shell"), SHEETS, tmp_path / "out", **TOLD)
    assert not (tmp_path / "out").exists()


def test_drawing_keeps_layers_of_known_operations(tmp_path):
    with pytest.raises(ValueError, match="layer 'saw': must be one of cut_outside"):
        write_dxf([Circle("saw", 0.0, 0.0, 0.01)], tmp_path / "a.dxf")
    square = np.array([[0.0, 0.0], [0.1, 0.0], [0.1, 0.05]])
    write_dxf([Closed("cut_outside", square), Words("engrave", 0.02, 0.01, 0.006, "7")], tmp_path / "a.dxf")
    document = read(tmp_path / "a.dxf")
    (line,) = on(document, "cut_outside")
    assert np.array(line.get_points("xy")) == pytest.approx(square / MM)
    (words,) = on(document, "engrave")
    assert (words.dxf.text, words.dxf.height) == ("7", 6.0)
