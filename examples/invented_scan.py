"""Write the scan that an invented part would give, so that the way from scanning to a verdict can be walked.

    python examples/invented_scan.py DESIGN.toml SCAN.ply [SEED]

No part stands behind it. The wall of a round design comes out a little small, bowed and oval, as a machine or a foundry
might leave it, other amounts for another seed. A scanner that stands somewhere in front of it sees points of the wall
with some noise, misses a patch where it shone, and finds a few that belong to nothing. SCAN receives them as PLY, mm.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from evenflare import read_design

POINTS, STRAYS = 20_000, 0.03
NOISE = 0.015
"""mm, of a point."""
SCALE, BOW, OVALITY = -0.0015, 0.12, 0.05
"""Share, mm and mm, about; the bow further from the axis."""
SCATTER = 0.2
"""Of these, from seed to seed."""
TURN = np.array([0.02, -0.03, 0.4])
"""rad, about x, y and z, and
"""
SHIFT = np.array([1.2, -0.7, 3.0])
"""mm: how the scanner stands to the part."""


def wall(design_file: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depths and radii in mm and angles of a round wall, finely, from throat to mouth."""
    drawn = read_design(design_file).waveguide.meridian.dense
    return 1e3 * drawn.z, 1e3 * drawn.r, drawn.angle


def turned(angles: np.ndarray) -> np.ndarray:
    """(3, 3), turns about x, then y, then z."""
    (cx, cy, cz), (sx, sy, sz) = np.cos(angles), np.sin(angles)
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    return np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]]) @ about_y @ about_x


def scan(design_file: Path, seed: int) -> np.ndarray:
    """(N, 3) in mm, as the scanner has them."""
    draw = np.random.default_rng(seed)
    z, r, angle = wall(design_file)
    area = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(r)) * 0.5 * (r[1:] + r[:-1]))])
    at = draw.uniform(0.0, area[-1], POINTS)
    azimuth = draw.uniform(-np.pi, np.pi, POINTS)
    z, r, angle = (np.interp(at, area, each) for each in (z, r, angle))
    scale, bow, ovality = (each * (1 + SCATTER * draw.standard_normal()) for each in (SCALE, BOW, OVALITY))
    off = bow * np.sin(np.pi * z / z.max()) + ovality * np.cos(2 * azimuth) + NOISE * draw.standard_normal(POINTS)
    outward, forward = r + off * np.cos(angle), z - off * np.sin(angle)
    points = np.column_stack([outward * np.cos(azimuth), outward * np.sin(azimuth), forward]) * (1 + scale)
    shone = (np.abs(azimuth - 0.8) < 0.2) & (np.abs(z / z.max() - 0.6) < 0.15)
    stray = draw.uniform(size=POINTS) < STRAYS
    points[stray] += draw.uniform(-6.0, 6.0, (int(stray.sum()), 3))
    return (points[~shone] - SHIFT) @ turned(TURN)


def main(design_file: Path, scan_file: Path, seed: int) -> None:
    """Write one scan."""
    points = scan(design_file, seed)
    head = ["ply", "format ascii 1.0", "comment invented, mm", f"element vertex {len(points)}"]
    head += [*(f"property float {axis}" for axis in "xyz"), "end_header"]
    rows = [f"{x:.4f} {y:.4f} {z:.4f}" for x, y, z in points]
    scan_file.write_text("\n".join([*head, *rows]) + "\n")
    print(f"{len(points)} points of an invented part in {scan_file}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 1)
