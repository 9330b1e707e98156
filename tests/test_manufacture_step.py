"""STEP files, read back by a CAD kernel that did not write them: valid solids, true surfaces, closed-form volumes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.GProp import GProp_GProps
from OCP.IFSelect import IFSelect_RetDone
from OCP.STEPControl import STEPControl_Reader
from OCP.TopAbs import TopAbs_FACE, TopAbs_SOLID
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS

from drawn import drawn
from evenflare.files import InputError
from evenflare.manufacture.part.outline import outline, solid_sizes
from evenflare.manufacture.part.step import write_step
from evenflare.units import DEGREE
from evenflare.waveguide import FAMILIES, Conical, OblateSpheroidal, Points, Tractrix, Waveguide
from oblongs import MM, THROAT, Choice

CONE = Waveguide(Conical(90 * MM, 42 * DEGREE))
SHAPES = {
    "rolled": Conical(90 * MM, 42 * DEGREE, 20 * MM),
    "oblate": OblateSpheroidal(100 * MM, 40 * DEGREE, 3 * MM),
    "tractrix": Tractrix(120 * MM),
    "corners": Points(((0.0, 0.0127), (0.03, 0.02), (0.05, 0.06), (0.09, 0.07)), corner=8 * DEGREE),
    "narrowing": Points(((0.0, 0.03), (0.03, 0.02), (0.05, 0.06))),
    "lip": Points(((0.0, 0.0127), (0.09, 0.1), (0.09, 0.12)), corner=8 * DEGREE),
}


def written(waveguide, choice, folder, title="0a1b2c shelf horn"):
    meridian = waveguide.meridian
    sizes = solid_sizes(meridian, choice)
    write_step(meridian, sizes, folder / "solid.step", title=title)
    return sizes, read(folder / "solid.step")


def read(path):
    reader = STEPControl_Reader()
    assert reader.ReadFile(str(path)) == IFSelect_RetDone
    assert reader.TransferRoots() == 1
    return reader.OneShape()


def mass(shape):
    """mm3; negative if the faces were inside out."""
    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, found, 1e-7)
    return found.Mass()


def faces(shape):
    explorer, found = TopExp_Explorer(shape, TopAbs_FACE), []
    while explorer.More():
        found.append(TopoDS.Face(explorer.Current()))
        explorer.Next()
    return found


@pytest.mark.parametrize("kind", ["block", "shell"])
@pytest.mark.parametrize("name", SHAPES)
def test_step_reads_back_as_one_valid_solid_of_the_outline_s_volume(name, kind, tmp_path):
    waveguide = Waveguide(SHAPES[name])
    sizes, shape = written(waveguide, Choice(kind), tmp_path)
    assert shape.ShapeType() == TopAbs_SOLID
    assert BRepCheck_Analyzer(shape).IsValid()
    polygon = shapely.Polygon(outline(waveguide.meridian, sizes, chord_error=0.1e-6))
    # Guldin. Chords of 0.1 um, and the 5 degrees by which a shell's edges are rolled: up to 6 mm x (2.5 deg)^2 / 2.
    exact = 2 * np.pi * polygon.centroid.y * polygon.area * 1e9
    assert mass(shape) == pytest.approx(exact, rel=5e-5 if name == "corners" else 5e-6)


@settings(deadline=None, max_examples=10)
@given(family=st.sampled_from(FAMILIES), seed=st.integers(0, 2**20), kind=st.sampled_from(["block", "shell"]))
def test_steps_over_the_search_space_are_valid_solids(family, seed, kind, tmp_path_factory):
    _, shape = written(drawn(family, seed), Choice(kind), tmp_path_factory.mktemp("step"))
    assert shape.ShapeType() == TopAbs_SOLID
    assert BRepCheck_Analyzer(shape).IsValid()
    assert mass(shape) > 0


def test_cone_is_a_cone_between_planes_in_a_cylinder_with_the_closed_form_s_volume(tmp_path):
    _, shape = written(CONE, Choice(), tmp_path)
    kinds = sorted(BRepAdaptor_Surface(face).GetType().name for face in faces(shape))
    assert kinds == ["GeomAbs_Cone"] * 2 + ["GeomAbs_Cylinder"] * 2 + ["GeomAbs_Plane"] * 2
    mouth = THROAT + 90 * MM * np.tan(42 * DEGREE)
    frustum = np.pi * 90 * MM * (THROAT**2 + THROAT * mouth + mouth**2) / 3
    # Coordinates are written to 12 digits.
    assert mass(shape) == pytest.approx((np.pi * (mouth + 20 * MM) ** 2 * 90 * MM - frustum) / MM**3, rel=1e-9)


def test_hyperboloid_has_the_closed_form_s_volume(tmp_path):
    depth, slope = 100 * MM, np.tan(40 * DEGREE)
    _, shape = written(Waveguide(OblateSpheroidal(depth, 40 * DEGREE)), Choice(), tmp_path)
    edge = np.sqrt(THROAT**2 + depth**2 * slope**2) + 20 * MM
    bore = np.pi * (THROAT**2 * depth + depth**3 * slope**2 / 3)
    # Splines through points that chords of 0.1 um join.
    assert mass(shape) == pytest.approx((np.pi * edge**2 * depth - bore) / MM**3, rel=1e-8)


@pytest.mark.parametrize("name", ["rolled", "oblate", "tractrix"])
def test_turned_splines_lie_on_the_exact_wall(name, tmp_path):
    waveguide = Waveguide(SHAPES[name])
    _, shape = written(waveguide, Choice(), tmp_path)
    t = np.linspace(0.0, 1.0, 4001)
    wall = shapely.LineString(
        np.vstack([np.column_stack(piece.frame_at(t)[:2]) for piece in waveguide.meridian.pieces]) / MM
    )
    splines = [
        face
        for face in faces(shape)
        if BRepAdaptor_Surface(face).GetType() == GeomAbs_SurfaceType.GeomAbs_SurfaceOfRevolution
    ]
    assert splines
    for face in splines:
        surface = BRepAdaptor_Surface(face)
        places = np.array(
            [
                surface.Value(u, v).Coord()
                for u in np.linspace(surface.FirstUParameter(), surface.LastUParameter(), 3)
                for v in np.linspace(surface.FirstVParameter(), surface.LastVParameter(), 150)
            ]
        )
        off = shapely.distance(shapely.points(places[:, 2], np.hypot(places[:, 0], places[:, 1])), wall)
        # 0.1 um: the chords that the spline's points were chosen by, which it leaves far behind.
        assert off.max() < 1e-4
        assert BRep_Tool.Tolerance_s(face) < 1e-5


def test_the_same_design_gives_the_same_step_and_quotes_are_escaped(tmp_path):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        written(CONE, Choice(), tmp_path / folder, title="Ida's horn, größer")
    first, second = ((tmp_path / folder / "solid.step").read_bytes() for folder in ("one", "two"))
    assert first == second
    assert rb"PRODUCT('Ida\X2\0027\X0\s horn, gr\X2\00F6\X0\\X2\00DF\X0\er'" in first


def test_step_that_cannot_be_written_is_refused(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_step(CONE.meridian, solid_sizes(CONE.meridian, Choice()), tmp_path / "file" / "a.step", title="")
