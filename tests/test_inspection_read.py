"""Scans read: what other libraries wrote, what is no scan, and units that are asked for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenflare.files import InputError
from evenflare.inspection import check_unit, read_scan
from evenflare.waveguide import Conical, Waveguide
from scanned import Planted, made

ROUND = Waveguide(Conical(0.05, np.radians(40), 0.012))


@pytest.fixture(scope="module")
def mesh() -> trimesh.Trimesh:
    return trimesh.creation.icosphere(2, 50.0)


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("a.stl", {"file_type": "stl"}),
        ("b.stl", {"file_type": "stl_ascii"}),
        ("c.ply", {"file_type": "ply", "encoding": "binary"}),
        ("d.ply", {"file_type": "ply", "encoding": "ascii", "vertex_normal": True}),
    ],
)
def test_what_another_library_wrote_is_read(tmp_path: Path, mesh: trimesh.Trimesh, name: str, how: dict) -> None:
    written = mesh.export(**how)
    (tmp_path / name).write_bytes(written if isinstance(written, bytes) else written.encode())
    scan = read_scan(tmp_path / name, unit="mm")
    assert scan.kind == "mesh"
    order, wanted = (np.lexsort(np.round(each, 7).T) for each in (scan.points, mesh.vertices * 1e-3))
    assert scan.points[order] == pytest.approx(mesh.vertices[wanted] * 1e-3, abs=1e-8)  # single precision
    assert scan.normals is not None
    assert np.abs(np.sum(scan.normals * scan.points, axis=1)) == pytest.approx(0.05, rel=1e-2)


def test_big_endian_points_without_faces(tmp_path: Path) -> None:
    points = np.arange(30.0).reshape(10, 3)
    head = "ply\nformat binary_big_endian 1.0\ncomment invented\nelement vertex 10\n"
    head += "property double x\nproperty double y\nproperty double z\nend_header\n"
    (tmp_path / "p.ply").write_bytes(head.encode() + points.astype(">f8").tobytes())
    scan = read_scan(tmp_path / "p.ply", unit="inch")
    assert scan.kind == "points"
    assert scan.points == pytest.approx(points * 0.0254, rel=1e-15)


def test_probed_points_and_profiles(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text("# probe_radius_mm = 1.5\nx_mm,y_mm,z_mm\n1,2,3\n4,5,6\n")
    scan = read_scan(tmp_path / "p.csv")
    assert (scan.kind, scan.probe_radius) == ("probed", 0.0015)
    assert scan.points == pytest.approx(np.array([[1, 2, 3], [4, 5, 6]]) * 1e-3)
    (tmp_path / "q.csv").write_text("z_mm,r_mm\n3,1\n")
    scan = read_scan(tmp_path / "q.csv", probe_radius=1e-3)
    assert (scan.kind, scan.in_plane, scan.probe_radius) == ("profile", True, 0.001)
    assert scan.points == pytest.approx(np.array([[1e-3, 0.0, 3e-3]]))


@pytest.mark.parametrize(
    ("text", "points", "unit"),
    [
        ("1,2,3\n4,5,6\n", [[1, 2, 3], [4, 5, 6]], None),
        ("3 1\n4 2\n", [[1, 0, 3], [2, 0, 4]], None),
        ("1;2;3;0;0;1\n4,5;5;6;0;0;1\n", [[1, 2, 3], [4.5, 5, 6]], None),
        ("X\tY\tZ\n1\t2\t3\n", [[1, 2, 3]], None),
        ("r,z\n1,3\n", [[1, 0, 3]], None),
        ("name,x_inch,y_inch,z_inch\nfirst,1,2,3\n", [[25.4, 50.8, 76.2]], "inch"),
        ("x (m); y (m); z (m)\n0,001;0,002;0,003\n", [[1, 2, 3]], "m"),
    ],
)
def test_columns_of_points_as_probes_write_them(tmp_path: Path, text: str, points: list, unit: str | None) -> None:
    (tmp_path / "p.csv").write_text(text)
    scan = read_scan(tmp_path / "p.csv")
    assert scan.points * 1e3 == pytest.approx(np.array(points, dtype=float))
    assert (scan.kind, scan.unit) == ("profile" if len(text.split("\n")[0]) == 3 else "probed", unit)


def test_a_probe_that_writes_inches_without_saying_so_is_asked(tmp_path: Path) -> None:
    points = made(ROUND, Planted(), seed=1, count=300).scan / 0.0254
    np.savetxt(tmp_path / "p.csv", points, delimiter=",")
    with pytest.raises(InputError, match="--unit inch"):
        check_unit(read_scan(tmp_path / "p.csv"), ROUND)
    check_unit(read_scan(tmp_path / "p.csv", unit="inch"), ROUND)


@pytest.mark.parametrize(("unit", "factor"), [("inch", 25.4), ("m", 1000.0), ("cm", 10.0), ("mm", 1.0)])
def test_a_unit_that_is_not_mm_is_asked_for(tmp_path: Path, unit: str, factor: float) -> None:
    points = made(ROUND, Planted(), seed=1, count=2000, span=np.pi / 2).scan * 1e3 / factor
    path = tmp_path / "p.ply"
    path.write_bytes(trimesh.PointCloud(points).export(file_type="ply"))
    if unit == "mm":
        check_unit(read_scan(path), ROUND)
    else:
        with pytest.raises(InputError, match=f"--unit {unit}"):
            check_unit(read_scan(path), ROUND)
    check_unit(read_scan(path, unit=unit), ROUND)  # type: ignore[arg-type]


BAD = {
    "no.xyz": (b"1 2 3", "must be .stl, .ply or .csv"),
    "empty.stl": (b"", "is no STL file"),
    "short.stl": (b" " * 80 + (9).to_bytes(4, "little") + b"0" * 50, "header says 9 triangles"),
    "none.ply": (b"ply\nformat ascii 1.0\nend_header\n", "first element"),
    "large.ply": (
        b"ply\nformat binary_little_endian 1.0\nelement vertex 99999999999\nproperty float x\nproperty float y\n"
        b"property float z\nend_header\n",
        "must be at most 5000000",
    ),
    "cut.ply": (
        b"ply\nformat binary_little_endian 1.0\nelement vertex 9\nproperty float x\nproperty float y\n"
        b"property float z\nend_header\nabc",
        "ends before",
    ),
    "word.ply": (
        b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\n"
        b"end_header\n1 two 3\n",
        "vertex 1 is 1 two 3",
    ),
    "nan.ply": (
        b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\n"
        b"end_header\nnan 0 0\n",
        "holds no points",
    ),
    "ball.csv": (b"# probe_radius_mm = many\nx_mm,y_mm,z_mm\n1,2,3\n", "probe_radius_mm = many"),
    "names.csv": (b"a,b,c\n1,2,3\n", "must include x_mm, y_mm and z_mm"),
    "units.csv": (b"x_mm,y_mm,z_inch\n1,2,3\n", "several units"),
    "four.csv": (b"1,2,3,4\n", "holds 4 values and no column has a name"),
    "less.csv": (b"1,2,3\n1,2\n", "line 2: holds 2 values for 3 columns"),
    "none.csv": (b"z_mm,r_mm\n", "holds no points"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_scan_is_refused_with_its_name(tmp_path: Path, name: str) -> None:
    content, words = BAD[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=words) as refused:
        read_scan(tmp_path / name)
    assert name in str(refused.value)
