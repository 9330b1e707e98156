"""Free-standing bodies as they are solved: volumes by Pappus, outside read back, what has no such solid refused."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from bodies import CYLINDER, ROLLED
from commandline import run
from drawings import NUMBER, words, written
from evenflare.design.file import read_design
from evenflare.manufacture import solid_sizes
from evenflare.manufacture.part.bolts import bolt_places
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.stl import build_round
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide.body import dense
from evenflare.waveguide.body import volume as inside

CHORD = 0.05 * MM


def bored(waveguide) -> float:
    """m3, of the waveguide's air, by pi r^2 dz over its meridian's pieces (trapezoids of ten thousand places each)."""
    total, t = 0.0, np.linspace(0.0, 1.0, 10_001)
    for piece in waveguide.meridian.pieces:
        frame = piece.frame_at(t)
        total += float(np.sum(0.5 * np.pi * (frame.r[1:] ** 2 + frame.r[:-1] ** 2) * np.diff(frame.z)))
    return total


@pytest.mark.parametrize("text", [ROLLED, CYLINDER], ids=["rolled shell", "round cabinet"])
def test_the_solid_is_the_body_less_air_recess_and_holes(text, read):
    design = read(text)
    waveguide = design.waveguide
    sizes = solid_sizes(waveguide.meridian, design.solid, body=waveguide.mounting.body)
    features = fitted(waveguide, sizes, features_of(design.solid))
    mesh = build_round(waveguide.meridian, sizes, features, chord_error=CHORD)
    part = trimesh.Trimesh(mesh.vertices, mesh.faces)
    assert part.is_watertight
    back = 45 * MM if text is ROLLED else 50 * MM
    assert part.bounds[:, 2] == pytest.approx([-back, 70 * MM], abs=1e-9)
    holes = len(bolt_places(features.seat)) * np.pi * (4 * MM) ** 2 * 8 * MM
    recess = np.pi * (45 * MM) ** 2 * back
    exact = inside(waveguide.outside) - bored(waveguide) - recess - holes
    # Every surface lies within the chord error of the exact one.
    assert abs(part.volume - exact) < part.area * CHORD
    # And the part is what its mesh converges to: a tenth of the chord error, a tenth of the difference.
    fine = build_round(waveguide.meridian, sizes, features, chord_error=0.1 * CHORD)
    assert abs(trimesh.Trimesh(fine.vertices, fine.faces).volume - exact) < 0.2 * abs(part.volume - exact)


@pytest.mark.usefixtures("unpainted")
def test_the_outside_that_is_written_reads_back_as_the_body(tmp_path, capsys):
    path, out = tmp_path / "design.toml", tmp_path / "out"
    path.write_text(ROLLED, encoding="utf-8")
    assert run(["export", str(path), "--out", str(out), "--step", "--process", "print", "--quiet"]) == 0
    rows = [line for line in (out / "outside.csv").read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    assert rows[0] == "z_mm,r_mm"
    again = ROLLED[: ROLLED.index("outline =")] + f'body_csv = "{out / "outside.csv"}"\n'
    (tmp_path / "again.toml").write_text(again, encoding="utf-8")
    drawn, read_back = (inside(read_design(each).waveguide.outside) for each in (path, tmp_path / "again.toml"))
    # The curve through the points departs from the body by their chord error at most, 0.01 mm where nothing is asked.
    assert read_back == pytest.approx(drawn, rel=2e-4)
    made = read_design(out / "design.toml").solid
    assert made == replace(read_design(path).solid, seat_hole_diameter=made.seat_hole_diameter)
    assert "piece_1.3mf" in {each.name for each in out.iterdir()}
    assert "it follows outside.csv, and is as it is printed" in words(out / "setup_sheet.pdf")
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kind = "free_standing"\noutline', 'kind = "sphere"\nradius_mm = 200\n#', 'kind = "body": takes its outside'),
        ("seat_diameter_mm = 90\nseat_bolts = 4", "#", "needs room for the driver"),
        ("seat_diameter_mm = 90", "seat_diameter_mm = 118", "must be at most"),
        ("seat_bolts = 4", "seat_bolts = 4\nseat_depth_mm = 20", "does not belong to a body"),
        ("seat_bolts = 4", "seat_bolts = 4\nedge_radius_mm = 2", "takes no edge, rebate or front_bolts"),
        ("seat_bolts = 4", "seat_bolts = 4\nflange_diameter_mm = 300", "which has no flange"),
    ],
)
def test_what_no_body_has_is_refused_by_name(old, new, said, tmp_path, capsys):
    text = ROLLED.replace(old, new)
    if new == "#":
        text = text[: text.index("#")]
    if "sphere" in new:
        text = "\n".join(line for line in text.splitlines() if not line.startswith(("rim_", "back_", "#")))
    assert text != ROLLED
    path = tmp_path / "design.toml"
    path.write_text(text, encoding="utf-8")
    assert run(["export", str(path), "--out", str(tmp_path / "out"), "--quiet"]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_outside_is_set_out_by_the_drawing_alone(read, tmp_path):
    """Rebuilt from the text of the PDF: lines between its rows stay within the 0.02 mm that it states."""
    design = read(ROLLED)
    text = words(written(design.waveguide, tmp_path, solid=design.solid, process="print"))
    told = text[text.index("The outside, from the mouth's rim") :]
    told = told[told.index("diameter") : told.index("Cautions")]
    rows = np.array([[float(z), 0.5 * float(across)] for z, across in re.findall(f"({NUMBER}) ({NUMBER})", told)])
    around = dense(design.waveguide.outside)
    exact = shapely.LineString(np.column_stack([around.z, around.r]) / MM)
    assert len(rows) > 10
    # Three decimals of z and of a diameter, and the exact outside between 129 points of a piece.
    assert exact.hausdorff_distance(shapely.LineString(rows)) <= 0.02 + 0.002
    assert "a disc Ø90.00 x 6 closes flush" in text
