"""Scans in order, of each format: a ring of points at throat and mouth."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import trimesh

import solids


def write_scans(folder: Path) -> None:
    ring = np.array([[r * math.cos(a), r * math.sin(a), z] for z, r in ((0, 13), (40, 60)) for a in range(6)])
    faces = [[k, (k + 1) % 6, 6 + k] for k in range(6)]
    solids.written(trimesh.Trimesh(ring, faces, process=False), folder / "text.stl", text=True)
    solids.written(trimesh.Trimesh(ring, faces, process=False), folder / "binary.stl", text=False)
    head = "element vertex 12\n" + "".join(f"property float {each}\n" for each in ("x", "y", "z", "nx", "ny", "nz"))
    head += "element face 6\nproperty list uchar int vertex_indices\nend_header\n"
    rows = np.column_stack([ring, ring / np.linalg.norm(ring, axis=1)[:, None]])
    text = "\n".join(" ".join(f"{each:.4f}" for each in row) for row in rows)
    text += "".join(f"\n3 {a} {b} {c}" for a, b, c in faces)
    (folder / "text.ply").write_text(f"ply\nformat ascii 1.0\n{head}{text}\n")
    for name, order in (("little", "<"), ("big", ">")):
        record = np.array([(3, face) for face in faces], dtype=[("n", "u1"), ("corners", f"{order}i4", 3)])
        body = rows.astype(f"{order}f4").tobytes() + record.tobytes()
        (folder / f"{name}.ply").write_bytes(f"ply\nformat binary_{name}_endian 1.0\n{head}".encode() + body)
    probed = "".join(f"{x:.3f},{y:.3f},{z:.3f}\n" for x, y, z in ring)
    (folder / "probed.csv").write_text(f"# probe_radius_mm = 1.5\nx_mm,y_mm,z_mm\n{probed}")
    (folder / "profile.csv").write_text("z_mm,r_mm\n0,12.7\n20,30.1\n40,46.2\n")
