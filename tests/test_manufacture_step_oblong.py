"""STEP files of oblong parts, read back by a CAD kernel that did not write them: valid solids on the exact wall."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_SOLID

from evenflare.cli import run
from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture import build_oblong, cloud, oblong_sizes, volume
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.step_oblong import write_oblong_step
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import OblateSpheroidal, Oblong, RoundedRectangle, Superellipse, Waveguide
from oblongs import THROAT, bent, cones
from test_manufacture_step import faces, mass, read

SHAPES = {
    "ellipse": cones(),
    "rolled": cones(roundover=15 * MM, section=Superellipse(3.0)),
    "edges": bent(((30, 30), (60, 90)), ((30, 25), (60, 60))),
    "both edges": bent(((25, 22), (50, 60), (75, 70)), ((25, 20), (50, 48), (75, 55))),
    "oblate": Waveguide(Oblong(OblateSpheroidal(60 * MM, 45 * DEGREE), OblateSpheroidal(60 * MM, 30 * DEGREE))),
    "rectangle": cones(horizontal=42, vertical=30, section=RoundedRectangle(18 * MM)),
}
SEAT = {
    "seat_diameter": 60 * MM,
    "seat_depth": 3 * MM,
    "seat_bolts": 4,
    "seat_bolt_circle": 50 * MM,
    "seat_hole_diameter": 4 * MM,
    "seat_hole_depth": 5 * MM,
}
SCREWS = {"front_bolts": 8, "front_screw": "M4", "front_countersunk": True, "front_bolt_inset": 12 * MM}
SOLIDS = {
    "plain": Solid(),
    "all": Solid(**SEAT, **SCREWS),
    "round": Solid(flange_diameter=320 * MM, edge_radius=4 * MM, **SEAT, **SCREWS),
    "shell": Solid("shell"),
    "rebate": Solid(
        flange_diameter=320 * MM, rebate_width=4 * MM, rebate_depth=3 * MM, seat_diameter=60 * MM, seat_depth=2 * MM
    ),
}


def written(waveguide, solid, folder):
    wall = cloud(waveguide.surface)
    sizes = oblong_sizes(waveguide.surface, wall, solid)
    features = fitted(waveguide, sizes, features_of(solid), wall=wall)
    error = write_oblong_step(waveguide.surface, sizes, folder / "s.step", title="x", features=features)
    return sizes, features, wall, error, read(folder / "s.step")


@pytest.mark.parametrize(
    ("name", "solid"),
    [
        ("ellipse", "plain"),
        ("rolled", "all"),
        ("edges", "round"),
        ("oblate", "all"),
        ("rolled", "rebate"),
        ("oblate", "round"),
        ("edges", "shell"),
        ("both edges", "shell"),
    ],
)
def test_step_is_one_valid_solid_of_the_mesh_s_volume(name, solid, tmp_path):
    waveguide = SHAPES[name]
    sizes, features, wall, _, shape = written(waveguide, SOLIDS[solid], tmp_path)
    assert shape.ShapeType() == TopAbs_SOLID
    assert BRepCheck_Analyzer(shape).IsValid()
    chord = 0.1 * MM
    mesh, _ = build_oblong(waveguide.surface, wall, sizes, chord_error=chord, features=features)
    corners = mesh.vertices[mesh.faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    # Every face of the mesh departs by its chord error at most.
    assert abs(volume(mesh) - mass(shape) * MM**3) < area * chord


def test_elliptic_cone_has_the_closed_form_s_volume(tmp_path):
    sizes, _, _, _, shape = written(SHAPES["ellipse"], Solid(), tmp_path)
    throat, depth = SHAPES["ellipse"].surface.throat_radius, SHAPES["ellipse"].depth
    p, q = np.tan(42 * DEGREE), np.tan(25 * DEGREE)
    # The integral of pi (r0 + p z)(r0 + q z).
    bore = np.pi * (throat**2 * depth + throat * (p + q) * depth**2 / 2 + p * q * depth**3 / 3)
    block = sizes.flange_width * sizes.flange_height * depth
    # Splines within 1 um over 0.05 m2 are 50 mm3 of 2.5e6.
    assert mass(shape) * MM**3 == pytest.approx(block - bore, rel=2e-5)


def test_shell_with_a_crease_and_a_fan_has_the_closed_form_s_volume(tmp_path):
    # The same in both planes it is turned: outlines whose corners are those of cones, and a buffer's arc.
    corners = np.array([(0.0, THROAT), (25 * MM, 22 * MM), (50 * MM, 60 * MM), (75 * MM, 70 * MM)])
    sizes, *_, shape = written(bent(*[corners[1:] / MM] * 2), Solid("shell"), tmp_path)
    wall, depth = shapely.LineString([*corners, corners[-1] + 2 * np.diff(corners, axis=0)[-1]]), corners[-1, 0]
    air = shapely.Polygon([*corners, (depth, 0.0), (0.0, 0.0)])
    outside = shapely.unary_union([wall.buffer(sizes.wall, quad_segs=2000), air])
    flange = shapely.box(depth - sizes.flange_thickness, 0.0, depth, 1.0)
    whole = outside.intersection(shapely.box(0.0, 0.0, depth, 1.0)).difference(flange).difference(air)
    # By Pappus' theorem; a flange with straight sides is a prism less the wall's bore.
    turned = 2 * np.pi * whole.centroid.y * whole.area
    bore = air.intersection(flange)
    prism = sizes.flange_width * sizes.flange_height * sizes.flange_thickness
    expected = turned + prism - 2 * np.pi * bore.centroid.y * bore.area
    # Splines within 1 um over 0.1 m2 are 100 mm3 of 4e5.
    assert mass(shape) * MM**3 == pytest.approx(expected, rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["rolled", "edges", "oblate", "rectangle"])
def test_exact_wall_lies_on_the_splines_within_the_stated_error(name, tmp_path):
    waveguide = SHAPES[name]
    *_, error, shape = written(waveguide, Solid(), tmp_path)
    # Of a rounded rectangle sides and corners are faces of their own: its curvature jumps where they meet.
    assert error < (2e-6 if name == "rectangle" else 10e-6)
    splines = [face for face in faces(shape) if BRepAdaptor_Surface(face).GetType().name == "GeomAbs_BSplineSurface"]
    surface, random = waveguide.surface, np.random.default_rng(7)
    assert len(splines) == (12 if name == "rectangle" else 4) * (len(surface.cuts) - 1)
    worst = 0.0
    for stretch in range(len(surface.cuts) - 1):
        low, high = surface.cuts[stretch : stretch + 2]
        for z, psi in zip(random.uniform(low, high, 6), random.uniform(0.0, 2 * np.pi, 6), strict=True):
            point = surface.patch(np.array([z]), np.array([psi]), stretch=stretch).points[0, 0] / MM
            vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*point.tolist())).Vertex()
            worst = max(worst, min(BRepExtrema_DistShapeShape(vertex, face).Value() for face in splines))
    # In mm; the kernel finds a nearest place to 1e-7.
    assert worst < error / MM + 1e-6


def test_what_is_not_written_is_refused(tmp_path):
    narrow = bent(((20, 10), (70, 40)), ((20, 10), (70, 25)))
    mixed = bent(((30, 30), (60, 90)), ((30, 40), (60, 52)))
    short, close = (bent(*[((30, 30), (30 + far, 30 + 1.2 * far), (60, 120))] * 2) for far in (0.4, 1.0))
    hub = {"seat_diameter": 44 * MM, "seat_depth": 3 * MM, "wall": 12 * MM}
    for waveguide, keys, message in (
        (SHAPES["edges"], {"flange_thickness": 34 * MM}, r"has an edge that meets its flange .* z_mm = 30\."),
        (mixed, {}, r'turns one way and the other behind the wall at z_mm = 30\. .* kind = "block"'),
        (short, {}, r"stretches of the wall are too short for wall_mm = 6"),
        (close, {}, r"has two edges that meet behind the wall at z_mm = 31\."),
        (SHAPES["rolled"], {"flange_thickness": 3 * MM}, r"ends at the mouth .* Write flange_thickness_mm = 6 or more"),
        (narrow, {}, r"begins above the throat plane, where the wall narrows"),
        (SHAPES["ellipse"], hub, r"hub of the driver's seat, Ø68\.00 mm, meets the outside"),
    ):
        with pytest.raises(InputError, match=message):
            written(waveguide, Solid("shell", **keys), tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("unpainted")
def test_export_writes_it_and_says_how_well_splines_follow(tmp_path, capsys):
    text = (
        '[waveguide]\nsection_exponent = 2.5\n[waveguide.{}]\nfamily = "conical"\ndepth_mm = 50\nwall_angle_deg = {}\n'
    )
    one, other = text.format("horizontal", 40), text.format("vertical", 25).partition("2.5\n")[2]
    (tmp_path / "d.toml").write_text(f"{one}{other}[driver]\nexit_diameter_mm = 25.4\n", encoding="utf-8")
    assert run(["export", str(tmp_path / "d.toml"), "--out", str(tmp_path / "out"), "--quiet", "--step"]) == 0
    assert "the wall is splines within 0.00" in capsys.readouterr().out
    assert BRepCheck_Analyzer(read(tmp_path / "out" / "solid.step")).IsValid()
