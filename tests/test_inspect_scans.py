"""`inspect` on scans of planted walls, from the file to the index: round and oblong."""

import json

import numpy as np
import pytest

from commandline import DESIGN, said
from evenflare import metrics
from evenflare.design.file import read_design
from evenflare.radiation import solver
from evenflare.radiation.march import index_solver
from evenflare.report.kit import canvas
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("compiled")]

ANALYSIS = "[analysis]\nfrom_hz = 1000\nto_hz = 8500\nper_octave = 2\n"
OBLONG = """
[waveguide]
section_exponent = 2.6
[waveguide.horizontal]
family = "oblate_spheroidal"
depth_mm = 60
wall_angle_deg = 47
[waveguide.vertical]
family = "conical"
depth_mm = 60
wall_angle_deg = 28
[driver]
exit_diameter_mm = 25.4
[analysis]
from_hz = 1000
to_hz = 12000
per_octave = 1
"""
NOISE = 0.01
"""mm, of a point."""


def scan_of(waveguide: Waveguide, *, count: int, seed: int) -> np.ndarray:
    """(N, 3) mm: points spread over a wall, with noise along its normal, and a few strays, as a scanner has them."""
    draw = np.random.default_rng(seed)
    surface = waveguide.surface
    z, psi = draw.uniform(0.0, waveguide.depth, (count, 1)), draw.uniform(0.0, 2.0 * np.pi, (count, 1))
    cuts = np.array(surface.cuts)
    found = []
    for i in range(len(cuts) - 1):
        mine = ((z[:, 0] >= cuts[i]) & (z[:, 0] < cuts[i + 1])).nonzero()[0]
        patch = surface.patch(z[mine, 0], psi[mine], stretch=i, bends=False)
        found.append(patch.points[:, 0] + NOISE * 1e-3 * draw.standard_normal((mine.size, 1)) * patch.normals[:, 0])
    # The flat back around the throat, a datum.
    turn, out = draw.uniform(0.0, 2.0 * np.pi, count // 4), draw.uniform(0.02, 0.045, count // 4)
    back = np.column_stack([out * np.cos(turn), out * np.sin(turn), NOISE * 1e-3 * draw.standard_normal(turn.size)])
    points = 1e3 * np.concatenate([*found, back])
    stray = draw.uniform(size=len(points)) < 0.02
    points[stray] += draw.uniform(-5.0, 5.0, (int(stray.sum()), 3))
    c, s = np.cos(0.1), np.sin(0.1)
    return points @ np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]]) + [3.0, -2.0, 5.0]


def written(points: np.ndarray, path) -> None:
    head = ["ply", "format ascii 1.0", f"element vertex {len(points)}"]
    head += [*(f"property float {axis}" for axis in "xyz"), "end_header"]
    path.write_text("\n".join([*head, *(" ".join(f"{each:.4f}" for each in row) for row in points)]) + "\n")


@pytest.mark.parametrize(
    ("text", "wall", "far"),
    [
        (
            DESIGN.replace('family = "conical"', 'family = "oblate_spheroidal"') + ANALYSIS,
            WallDeviation(bow=0.8e-3, scale=-0.006, shares=(0.0, 0.4, 0.7, 1.0), waves=((0,), (3e-4,), (-3e-4,), (0,))),
            0.015,
        ),
        (OBLONG, WallDeviation(bow=0.8e-3, scale=-0.003, ovality=0.3e-3), 0.012),
    ],
    ids=["round", "oblong"],
)
def test_a_scanned_part_sounds_as_the_planted_wall(capsys, here, monkeypatch, text, wall, far):
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    (here / "design.toml").write_text(text)
    design = read_design("design.toml")
    planted = deviated(design.waveguide, wall)
    written(scan_of(planted, count=4000, seed=1), here / "part.ply")
    solve = index_solver("full")
    index, drawn = (
        metrics.directivity_index(solve(each, design.observation, design.air)) for each in (planted, design.waveguide)
    )
    limit = float(np.abs(index - drawn).max())
    assert limit > 4 * far  # there is something to find
    assert said(capsys, f"inspect design.toml part.ply --out out --within-db {0.5 * limit} --quiet")[0] == 1
    found = json.loads((here / "out" / "inspection.json").read_text())
    # What a scan of 4000 points leaves open of a wall, 0.01 mm or so, at 1 dB per mm.
    np.testing.assert_allclose(found["index_part_db"], index, atol=far)
    assert found["registered_to"] == "datums"
    assert found["points_left_out"] > 0.2 * 5000  # the back, and strays
    page = (here / "out" / "report.html").read_text()
    assert ("its radii lie within 0." in page) == (not design.waveguide.is_round)
    again = read_design("out/as_built.toml")
    # Boundary elements follow waves of a wall through points; the march goes by its angle, which is less exact, and
    # says so. Of an oblong part the file keeps the drawn section.
    other = solver("full", method="boundary_elements") if again.waveguide.is_round else solve
    heard = metrics.directivity_index(other(again.waveguide, again.observation, again.air))
    np.testing.assert_allclose(
        heard, found["index_part_db"], atol=far if again.waveguide.is_round else max(far, 0.25 * limit)
    )
