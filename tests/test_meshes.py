"""The reference exports in meshes/, built again and compared as geometry: volume, box, largest deviation.

Run as a program it writes them anew: `python tests/test_meshes.py`.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from evenflare.manufacture import outline, solid_sizes, tool_path, volume, write_points, write_solid
from evenflare.manufacture.solid import build
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, OblateSpheroidal, Points, Waveguide

MM = MILLIMETRE
FOLDER = Path(__file__).parent.parent / "meshes"
CHORD, TOOL = 0.5 * MM, 3 * MM


@dataclass(frozen=True)
class Choice:
    kind: str
    wall: float = 6 * MM
    flange_diameter: float = 240 * MM
    flange_thickness: float = 10 * MM
    bolt_circle: float = 225 * MM
    bolts: int = 8


REFERENCES = {
    "cone_block": (Waveguide(Conical(90 * MM, 42 * DEGREE, 15 * MM)), Choice("block")),
    "oblate_shell": (Waveguide(OblateSpheroidal(100 * MM, 40 * DEGREE, 15 * MM)), Choice("shell")),
    "edge_shell": (Waveguide(Points(((0.0, 0.0127), (0.05, 0.03), (0.08, 0.08)))), Choice("shell")),
}


def write_references(folder):
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
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    kept = {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}
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


def _wall(waveguide):
    t = np.linspace(0.0, 1.0, 2001)
    parts = [piece.at(t) for piece in waveguide.meridian.pieces]
    return shapely.LineString(np.vstack([np.column_stack(part[:2]) for part in parts]) / MM)


if __name__ == "__main__":
    write_references(FOLDER)
