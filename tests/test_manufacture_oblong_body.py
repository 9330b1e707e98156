"""Oblong free-standing bodies as they are solved: closed forms, the solver's own surface, a CAD kernel, refusals."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
import shapely
import trimesh
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_SOLID
from scipy.special import ellipe

from commandline import run
from drawings import NUMBER, words, written
from evenflare.design.file import Solid, read_design
from evenflare.exterior.loudspeaker import loudspeaker
from evenflare.files import InputError
from evenflare.manufacture import build_oblong, cloud, oblong_sizes, volume
from evenflare.manufacture.milling.operations import operations
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.soundness import check_sound
from evenflare.manufacture.part.step_oblong import write_oblong_step
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.wall.oblong_curves import closed_curve, outside_heights
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import (
    Conical,
    Driver,
    Mounting,
    OblateSpheroidal,
    Oblong,
    RolledShell,
    RoundedRectangle,
    Superellipse,
    Waveguide,
)
from test_manufacture_step import mass, read

CHORD = 0.05 * MM
DEPTH, BEHIND = 60 * MM, 30 * MM
WIDE, HIGH = OblateSpheroidal(DEPTH, 43.5 * DEGREE, 12 * MM), OblateSpheroidal(DEPTH, 30 * DEGREE, 12 * MM)
ROLLED = RolledShell(15 * MM, 90 * MM, BEHIND, 10 * MM)
SOLID = Solid("body", seat_diameter=60 * MM, seat_bolts=4, seat_bolt_circle=50 * MM, seat_hole_depth=5 * MM)
BODIES = {
    "ellipse": (Superellipse(), ROLLED),
    "rounded rectangle": (RoundedRectangle(15 * MM), ROLLED),
    "sharp edges": (Superellipse(2.5), RolledShell(0.0, 90 * MM, BEHIND)),
    "widens to its back": (Superellipse(4.0), RolledShell(8 * MM, 200 * MM, BEHIND, 20 * MM)),
}


class Made:
    """A body as a part."""

    def __init__(self, waveguide, solid=SOLID):
        self.waveguide, self.body = waveguide, waveguide.oblong_body
        self.surface, self.wall = waveguide.surface, cloud(waveguide.surface)
        self.sizes = oblong_sizes(self.surface, self.wall, solid, body=self.body)
        self.features = fitted(waveguide, self.sizes, features_of(solid), wall=self.wall)

    def mesh(self, chord=CHORD):
        made, thinnest = build_oblong(self.surface, self.wall, self.sizes, chord_error=chord, features=self.features)
        assert thinnest is None
        check_sound(made)
        return made

    def cut(self):
        """m3, of recess and holes: what the body closed has more."""
        seat = self.features.seat
        holes = seat.bolts * 0.25 * np.pi * seat.hole_diameter**2 * seat.hole_depth
        return 0.25 * np.pi * seat.diameter**2 * BEHIND + holes


def made_of(name) -> Made:
    section, shell = BODIES[name]
    return Made(Waveguide(Oblong(WIDE, HIGH, section), Driver(), Mounting(body=shell)))


@pytest.fixture(scope="module")
def parts():
    return {name: (part := made_of(name), part.mesh()) for name in BODIES}


def test_without_roundings_the_volume_is_a_closed_form():
    """Between an ellipse and a disc whose tangents are joined where they are parallel every section is their Minkowski
    sum in shares, of area (1 - s)^2 A + 2 s (1 - s) V + s^2 pi R^2, the mixed area V being R / 2 times the perimeter
    (Steiner; Schneider, Convex Bodies: The Brunn-Minkowski Theory); the bore's is pi (r + p z)(r + q z).
    """
    p, q, radius = np.tan(40 * DEGREE), np.tan(25 * DEGREE), 45 * MM
    shape = Oblong(Conical(DEPTH, 40 * DEGREE), Conical(DEPTH, 25 * DEGREE))
    part = Made(Waveguide(shape, Driver(), Mounting(body=RolledShell(0.0, 2 * radius, BEHIND))))
    throat = part.surface.throat_radius
    a, b = throat + p * DEPTH, throat + q * DEPTH
    perimeter = 4.0 * a * ellipe(1.0 - (b / a) ** 2)
    whole = (DEPTH + BEHIND) / 3.0 * (np.pi * a * b + 0.5 * radius * perimeter + np.pi * radius**2)
    bore = np.pi * (throat**2 * DEPTH + throat * (p + q) * DEPTH**2 / 2 + p * q * DEPTH**3 / 3)
    exact = whole - bore - part.cut()
    coarse, fine = (volume(part.mesh(chord)) for chord in (CHORD, 0.1 * CHORD))
    assert coarse == pytest.approx(exact, rel=2e-3)
    # What its mesh converges to: a tenth of the chord error, a tenth of the difference.
    assert abs(fine - exact) < 0.2 * abs(coarse - exact)


@pytest.mark.parametrize("name", BODIES)
def test_the_solid_is_what_is_solved_less_recess_and_holes(name, parts):
    """The solver's panels of wall, throat and outside bound it: by Gauss's theorem their places along their normals."""
    part, made = parts[name]
    solid = trimesh.Trimesh(made.vertices, made.faces)
    assert solid.is_watertight
    width, height = part.sizes.flange_width, part.sizes.flange_height
    assert solid.extents == pytest.approx([width, height, DEPTH + BEHIND], abs=2 * CHORD)
    assert solid.bounds[:, 2] == pytest.approx([-BEHIND, DEPTH], abs=1e-9)
    speaker = loudspeaker(part.waveguide, 0.03, wall=0.02)
    mesh = speaker.mesh
    solved = speaker.images * np.sum(mesh.weight * np.sum(mesh.place * mesh.normal, axis=1)) / 3.0
    # Every surface of the solid lies within the chord error; the panels are polynomials of fourth degree.
    assert abs(solid.volume + part.cut() - solved) < solid.area * CHORD


def along_normals(triangles, places, normals):
    """(N,) how far lines through places along normals run to a mesh's triangles (M, 3, 3), the nearest of each
    (Moeller and Trumbore 1997, Journal of Graphics Tools 2, 21).
    """
    start, one, other = triangles[:, 0], *(triangles[:, k] - triangles[:, 0] for k in (1, 2))
    found = []
    for place, normal in zip(places, normals, strict=True):
        across = np.cross(normal, other)
        scale = np.sum(one * across, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            u = np.sum((place - start) * across, axis=1) / scale
            turned = np.cross(place - start, one)
            v, t = turned @ normal / scale, np.sum(other * turned, axis=1) / scale
        met = (u > -1e-6) & (v > -1e-6) & (u + v < 1.0 + 1e-6)
        found.append(np.abs(t[met]).min())
    return np.array(found)


@pytest.mark.parametrize("name", BODIES)
def test_the_outside_lies_within_the_chord_error(name, parts):
    part, made = parts[name]
    random, triangles = np.random.default_rng(5), made.vertices[made.faces]
    worst = []
    for stretch in part.body.stretches[:-1]:
        places, normals = part.body.point_at(stretch, *random.uniform((0, 0), (0.5 * np.pi, 1), (60, 2)).T)
        worst.append(along_normals(triangles, places, normals).max())
    assert 0.1 * CHORD < max(worst) < CHORD


@pytest.mark.parametrize("name", ["ellipse", pytest.param("rounded rectangle", marks=pytest.mark.slow)])
def test_step_is_one_valid_solid_on_the_exact_outside(name, parts, tmp_path):
    part, made = parts[name]
    error = write_oblong_step(part.surface, part.sizes, tmp_path / "s.step", title="x", features=part.features)
    shape = read(tmp_path / "s.step")
    assert shape.ShapeType() == TopAbs_SOLID
    assert BRepCheck_Analyzer(shape).IsValid()
    solid = trimesh.Trimesh(made.vertices, made.faces)
    assert abs(solid.volume - mass(shape) * MM**3) < solid.area * CHORD
    random, worst = np.random.default_rng(11), 0.0
    for stretch in part.body.stretches:
        psi, v = random.uniform((0, 0), (0.5 * np.pi, 0.3), (3, 2)).T
        for place in part.body.point_at(stretch, psi, v)[0] / MM:
            vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*place.tolist())).Vertex()
            if np.hypot(*place[:2]) > 30.0:  # the back's recess
                worst = max(worst, BRepExtrema_DistShapeShape(vertex, shape).Value())
    # In mm; the kernel finds a nearest place to 1e-7.
    assert 0.0 < worst < error / MM + 1e-6 < 0.01


TEXT = """
name = "oblong roll"
[waveguide]
section_exponent = 2.5
[waveguide.horizontal]
family = "oblate_spheroidal"
depth_mm = 60
wall_angle_deg = 43.5
roundover_radius_mm = 12
[waveguide.vertical]
family = "oblate_spheroidal"
depth_mm = 60
wall_angle_deg = 30
roundover_radius_mm = 12
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "free_standing"
outline = "rolled_shell"
rim_radius_mm = 15
back_diameter_mm = 90
back_depth_mm = 30
back_edge_radius_mm = 10
[solid]
kind = "body"
seat_diameter_mm = 60
"""


@pytest.mark.usefixtures("unpainted")
def test_export_lists_the_outside_and_prints_it(tmp_path, capsys):
    path, out = tmp_path / "design.toml", tmp_path / "out"
    path.write_text(TEXT, encoding="utf-8")
    assert (
        run(["export", str(path), "--out", str(out), "--process", "print", "--chord-error-mm", "0.2", "--quiet"]) == 0
    )
    said = capsys.readouterr()
    assert said.err == ""
    assert "rows of the body's outside, rim to flat back" in said.out
    assert (out / "piece_1.3mf").exists()
    assert "The exported solid does not" not in (out / "report.html").read_text(encoding="utf-8")
    made = read_design(out / "design.toml")
    assert made.solid == read_design(path).solid
    assert (out / "outside_sections.csv").read_text(encoding="utf-8").count("-30.000000,1,") == 1
    text = (out / "outside.csv").read_text(encoding="utf-8")
    assert "a disc 6 thick closes the back, flush" in text
    rows = [line for line in text.splitlines() if not line.startswith("#")]
    assert rows[0] == "index,row,column,x_mm,y_mm,z_mm,normal_x,normal_y,normal_z"
    table = np.array([row.split(",") for row in rows[1:]], dtype=float)
    body = made.waveguide.oblong_body
    count = int(table[:, 2].max())
    grid, normals = table[:, 3:6].reshape(-1, count, 3), table[:, 6:].reshape(-1, count, 3)
    np.testing.assert_array_equal(grid[:, 0], grid[:, -1])
    # A support plane touches the convex body: nothing of it lies beyond, and the place lies in it.
    sampled = body.sampled(25, 9)[0].reshape(-1, 3) / MM
    beyond = sampled @ normals.reshape(-1, 3)[::7].T - np.sum(grid * normals, axis=-1).reshape(-1)[::7]
    assert beyond.max() < 2e-6
    # The mesh's lines are others than the list's, whose places lie on the exact outside.
    mesh = trimesh.load_mesh(out / "solid.stl")
    assert along_normals(mesh.triangles, grid[1::9, 7], normals[1::9, 7]).max() < 0.2


@pytest.mark.parametrize("name", BODIES)
def test_sections_of_the_outside_are_the_mesh_s(name, parts):
    """Cut by a geometry library through the mesh, whose every vertex lies on the exact outside."""
    part, made = parts[name]
    solid = trimesh.Trimesh(made.vertices, made.faces)
    heights = outside_heights(part.body)
    assert heights == pytest.approx(np.array([-30, -20, -10, 0, 10, 20, 30, 40, 50, 60]) * MM)
    for z in (-24 * MM, 7 * MM, 53 * MM):
        ring = closed_curve(partial(part.body.section, z), chord_error=0.01 * MM)
        cut = solid.section(plane_origin=[0, 0, z], plane_normal=[0, 0, 1]).discrete
        outer = max((each[:, :2] for each in cut), key=lambda line: np.ptp(line[:, 0]))
        apart = shapely.hausdorff_distance(shapely.LinearRing(ring), shapely.LinearRing(outer))
        # Both chord errors; the mesh's counts along the normal, which leans by 45 degrees at most at these heights.
        assert apart < 2.0 * CHORD + 0.01 * MM


def test_the_drawing_has_its_outlines_in_both_planes(read, tmp_path):
    """Rebuilt from the PDF: straight lines from row to row stay within the 0.02 mm that it states."""
    design = read(TEXT)
    path = written(design.waveguide, tmp_path, solid=design.solid, process="print")
    told = words(path)
    told = told[told.index("z at y = 0 x z at x = 0 y") : told.rindex("Cautions")]
    numbers = re.findall(NUMBER, told)
    rows = np.array(numbers, dtype=float).reshape(-1, 4)
    body = design.waveguide.oblong_body
    assert len(rows) > 40
    for psi, columns, axis in ((0.0, [0, 1], 0), (0.5 * np.pi, [2, 3], 1)):
        v = np.linspace(0.0, 1.0, 200)
        places = [body.point_at(each, np.full(200, psi), v)[0] / MM for each in body.stretches[:-1]]
        exact = shapely.LineString(np.concatenate(places)[:, [2, axis]])
        # Three decimals, and the exact outline between its own places.
        assert exact.hausdorff_distance(shapely.LineString(rows[:, columns])) < 0.02 + 0.002


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("seat_diameter_mm = 60", "", "needs room for the driver"),
        ("seat_diameter_mm = 60", "seat_diameter_mm = 84", r"must be at most 6\d\.\d+, so that the recess is open"),
        ("seat_diameter_mm = 60", "seat_diameter_mm = 60\nflange_diameter_mm = 300", "which has no flange"),
        ("seat_diameter_mm = 60", "seat_diameter_mm = 60\nrebate_width_mm = 3\nrebate_depth_mm = 2", "takes no edge"),
        ('kind = "free_standing"', 'kind = "baffle"', r'kind = "body": takes its outside from the mounting'),
    ],
)
def test_what_no_body_has_is_refused_by_name(old, new, said, read):
    text = TEXT.replace(old, new)
    if "baffle" in new:
        text = "\n".join(line for line in text.splitlines() if not line.startswith(("rim_", "back_", "outline")))
    design = read(text)
    with pytest.raises(InputError, match=said):
        Made(design.waveguide, design.solid)


def test_a_router_leaves_an_outside_that_is_widest_in_no_plane_and_says_so():
    part = made_of("sharp edges")
    process = replace(read_process("router"), seat=part.features.seat)
    found = operations(part.waveguide, process, part.sizes, part.features)
    assert not [each for each in found.programs if each.name.startswith(("outside", "profile"))]
    assert any("the outside is in no program: [mounting] back_diameter_mm = 90" in line for line in found.left)


def test_a_recess_that_comes_out_of_a_low_body_is_refused_with_what_is_left():
    low = OblateSpheroidal(DEPTH, 12 * DEGREE, 5 * MM)
    waveguide = Waveguide(Oblong(WIDE, low), Driver(), Mounting(body=RolledShell(3 * MM, 110 * MM, BEHIND, 4 * MM)))
    solid = Solid("body", seat_diameter=90 * MM)
    with pytest.raises(InputError, match=r"seat_diameter_mm = 90: leaves (-?[0-9.]+) to the body's outside") as caught:
        Made(waveguide, solid)
    left = float(re.search(r"leaves (-?[0-9.]+)", str(caught.value))[1])
    # In the vertical plane the taper runs straight from the rim to the back.
    outline = RolledShell(3 * MM, 110 * MM, BEHIND, 4 * MM).pieces((DEPTH, 0.5 * waveguide.mouth_height), DEPTH)
    taper = outline[1].frame_at(np.array([0.0, 1.0]))
    (z0, z1), (r0, r1) = taper.z / MM, taper.r / MM
    distance = ((0.0 - z0) * (r1 - r0) - (45.0 - r0) * (z1 - z0)) / np.hypot(z1 - z0, r1 - r0)
    assert left == pytest.approx(abs(distance) if left > 0 else -abs(distance), abs=0.01)
