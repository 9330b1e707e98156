"""The reference exports in meshes/, built again and compared as geometry: volume, box, largest deviation.

Run as a program it writes them anew: `python tests/test_meshes.py`.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from evenflare.manufacture import export, outline, solid_sizes, tool_path, volume, write_points, write_solid
from evenflare.manufacture.part.solid import build
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, OblateSpheroidal, Oblong, Points, Superellipse, Waveguide
from oblongs import DenseWall

MM = MILLIMETRE
FOLDER = Path(__file__).parent.parent / "meshes"
CHORD, TOOL = 0.5 * MM, 3 * MM


@dataclass(frozen=True)
class Choice:
    kind: str
    wall: float = 6 * MM
    flange_diameter: float | None = 240 * MM
    flange_thickness: float = 10 * MM
    bolt_circle: float | None = 225 * MM
    bolts: int = 8
    flange_width: float | None = None
    flange_height: float | None = None


REFERENCES = {
    "cone_block": (Waveguide(Conical(90 * MM, 42 * DEGREE, 15 * MM)), Choice("block")),
    "oblate_shell": (Waveguide(OblateSpheroidal(100 * MM, 40 * DEGREE, 15 * MM)), Choice("shell")),
    "edge_shell": (Waveguide(Points(((0.0, 0.0127), (0.05, 0.03), (0.08, 0.08)))), Choice("shell")),
}


OBLONG = "superellipse_shell"
OBLONG_FILES = {
    "solid.stl": f"{OBLONG}.stl",
    "points.csv": f"{OBLONG}.csv",
    "points_azimuth_45.csv": f"{OBLONG}_45.csv",
    "sections.csv": f"{OBLONG}_sections.csv",
}


def oblong():
    planes = (OblateSpheroidal(40 * MM, angle * DEGREE, 5 * MM) for angle in (42, 25))
    return Waveguide(Oblong(*planes, Superellipse(3.0)))


def export_oblong(folder):
    choice = Choice("shell", flange_diameter=None, bolt_circle=None, flange_width=120 * MM, flange_height=100 * MM)
    told = {"design_id": OBLONG, "name": "reference export of an invented design"}
    depths = (0.0, 20 * MM, 40 * MM)
    return export(
        oblong(), choice, folder, chord_error=CHORD, tool_radius=TOOL, azimuths=(45 * DEGREE,), sections=depths, **told
    )


def write_references(folder):
    with tempfile.TemporaryDirectory() as made:
        export_oblong(Path(made))
        for name, kept in OBLONG_FILES.items():
            shutil.copy(Path(made) / name, folder / kept)
    for name, (waveguide, choice) in REFERENCES.items():
        told = {"design_id": name, "name": "reference export of an invented design"}
        sizes = solid_sizes(waveguide.meridian, choice)
        write_solid(waveguide, choice, folder / f"{name}.stl", chord_error=CHORD, **told)
        write_points(waveguide, folder / f"{name}.csv", chord_error=CHORD, tool_radius=TOOL, sizes=sizes, **told)


@pytest.mark.parametrize("name", REFERENCES)
def test_reference_solid_is_built_again(name):
    waveguide, choice = REFERENCES[name]
    kept = trimesh.load(FOLDER / f"{name}.stl")
    sizes = solid_sizes(waveguide.meridian, choice)
    mesh = build(waveguide.meridian, sizes, chord_error=CHORD)
    assert kept.is_watertight
    # Another sampling within the chord error may move the volume by that error over the surface: 0.5 % at most here.
    assert kept.volume * MM**3 == pytest.approx(volume(mesh), rel=5e-3)
    box = np.array([mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)]) / MM
    # Single precision at 120 mm.
    assert kept.bounds == pytest.approx(box, abs=2e-5)
    ring = shapely.LinearRing(outline(waveguide.meridian, sizes, chord_error=1e-3 * MM) / MM)
    section = np.column_stack([kept.vertices[:, 2], np.hypot(kept.vertices[:, 0], kept.vertices[:, 1])])
    deviation = shapely.distance(shapely.points(section), ring)
    wall = shapely.distance(shapely.points(section), _wall(waveguide)) < 1.0
    # Vertices of the bore lie on the wall, to the fine outline's own chords; those outside a shell between chords.
    assert deviation[wall].max() < 2e-3
    assert deviation.max() < CHORD / MM


@pytest.mark.parametrize("name", REFERENCES)
def test_reference_points_are_built_again(name):
    waveguide, _ = REFERENCES[name]
    kept = columns_of(FOLDER / f"{name}.csv")
    path = tool_path(waveguide.meridian, tool_radius=TOOL, chord_error=1e-3 * MM)
    moves = shapely.LineString(np.column_stack([path.centre_z, path.centre_r]) / MM)
    # The fine path's own chord error, and the file's last digit.
    assert shapely.distance(shapely.points(kept["z_mm"], kept["r_mm"]), _wall(waveguide)).max() < 1.1e-3
    assert shapely.distance(shapely.points(kept["tool_z_mm"], kept["tool_r_mm"]), moves).max() < 1.1e-3
    depth = waveguide.meridian.depth / MM
    assert kept["program_z_mm"] == pytest.approx(kept["tool_z_mm"] - TOOL / MM - depth, abs=2e-6)
    box = np.array([[kept[key][0], kept[key][-1]] for key in ("z_mm", "r_mm")])
    ends = waveguide.meridian.ends
    assert box == pytest.approx(np.array([ends.z, ends.r]) / MM, abs=1e-6)


def columns_of(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def test_oblong_reference_is_built_again(tmp_path):
    made = export_oblong(tmp_path).solid
    kept = trimesh.load(FOLDER / f"{OBLONG}.stl")
    again = trimesh.load(made.path)
    assert kept.is_watertight
    # As above: another sampling may move the volume by the chord error over the surface.
    assert kept.volume == pytest.approx(again.volume, rel=2e-2)
    assert kept.bounds == pytest.approx(again.bounds, abs=2e-5)
    dense = DenseWall(oblong().surface)
    far = dense.nearest(kept.vertices * MM)
    bored = far < 0.5 * MM
    assert bored.sum() > 500
    # Vertices of the bore lie on the wall, in single precision; those outside stand one wall away, less its chords.
    assert dense.beside(kept.vertices[bored] * MM).max() < 1e-6
    assert far[~bored].min() > made.sizes.wall - CHORD


def test_oblong_reference_points_are_built_again(tmp_path):
    export_oblong(tmp_path)
    dense = DenseWall(oblong().surface)
    grid = columns_of(FOLDER / OBLONG_FILES["points.csv"])
    curve = columns_of(FOLDER / OBLONG_FILES["points_azimuth_45.csv"])
    sections = columns_of(FOLDER / OBLONG_FILES["sections.csv"])
    half = np.sqrt(0.5)
    on_wall = [
        np.column_stack([grid["x_mm"], grid["y_mm"], grid["z_mm"]]),
        np.column_stack([half * curve["r_mm"], half * curve["r_mm"], curve["z_mm"]]),
        np.column_stack([sections["x_mm"], sections["y_mm"], sections["depth_mm"]]),
    ]
    for points in on_wall:
        # The dense wall's bend between its points.
        assert dense.beside(points * MM).max() < 1e-6
    r, across = curve["tool_r_mm"], curve["tool_across_mm"]
    for centres in (
        np.column_stack([grid["tool_x_mm"], grid["tool_y_mm"], grid["tool_z_mm"]]),
        np.column_stack([half * (r - across), half * (r + across), curve["tool_z_mm"]]),
    ):
        # The nearest of points 0.15 mm apart is up to 4 um farther than the wall.
        assert dense.nearest(centres * MM) == pytest.approx(TOOL, abs=5e-6)
    for name, kept in OBLONG_FILES.items():
        if name.endswith(".csv"):
            assert list(columns_of(tmp_path / name)) == list(columns_of(FOLDER / kept))


def _wall(waveguide):
    t = np.linspace(0.0, 1.0, 2001)
    parts = [piece.frame_at(t) for piece in waveguide.meridian.pieces]
    return shapely.LineString(np.vstack([np.column_stack(part[:2]) for part in parts]) / MM)


if __name__ == "__main__":
    write_references(FOLDER)
