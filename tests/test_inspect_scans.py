"""`inspect` on scans of planted walls, from the file to the index: round and oblong."""

import json

import numpy as np
import pytest

from commandline import DESIGN, said
from evenflare import metrics
from evenflare.design.file import read_design
from evenflare.radiation import solver
from evenflare.report.kit import canvas
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("compiled")]

ANALYSIS = "[analysis]\nfrom_hz = 1000\nto_hz = 12000\nper_octave = 2\n"
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
        patch = surface.patch(z[mine, 0], psi[mine], stretch=i)
        found.append(patch.points[:, 0] + NOISE * 1e-3 * draw.standard_normal((mine.size, 1)) * patch.normals[:, 0])
    points = 1e3 * np.concatenate(found)
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
            0.01,
        ),
        (
            OBLONG,
            WallDeviation(
                bow=1.5e-3,
                scale=-0.01,
                ovality=0.15e-3,
                shares=(0.0, 0.5, 1.0),
                azimuths=(0.0, np.pi / 4, np.pi / 2),
                waves=((0, 0, 0), (3e-4, 0, -3e-4), (0, 0, 0)),
            ),
            0.01,
        ),
    ],
    ids=["round", "oblong"],
)
def test_a_scanned_part_sounds_as_the_planted_wall(capsys, here, monkeypatch, text, wall, far):
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    (here / "design.toml").write_text(text)
    design = read_design("design.toml")
    planted = deviated(design.waveguide, wall)
    written(scan_of(planted, count=12_000, seed=1), here / "part.ply")
    solve = solver("full")
    index, drawn = (
        metrics.directivity_index(solve(each, design.observation, design.air)) for each in (planted, design.waveguide)
    )
    change = index - drawn
    limit = float(np.abs(change).max()); print(change)
    assert limit > 4 * far  # there is something to find
    assert said(capsys, f"inspect design.toml part.ply --out in --within-db {1.5 * limit} --quiet")[0] == 0
    assert said(capsys, f"inspect design.toml part.ply --out out --within-db {0.5 * limit} --quiet")[0] == 1
    found = json.loads((here / "in" / "inspection.json").read_text())
    # What a scan leaves open of a wall, some micrometres, at 1 dB per mm or so; and the march.
    np.testing.assert_allclose(found["index_part_db"], index, atol=far)
    again = read_design("in/as_built.toml")
    heard = metrics.directivity_index(solve(again.waveguide, again.observation, again.air))
    # Of an oblong part the file keeps the drawn section; waves are solved less exactly.
    np.testing.assert_allclose(heard, found["index_part_db"], atol=max(far, 0.25 * limit))
    for kind, value in (("scale", 1.0 + wall.scale), ("bow_mm", 1e3 * wall.bow)):
        error = found[kind.replace("_mm", "_standard_error_mm") if "_mm" in kind else f"{kind}_standard_error"]
        assert abs(found[kind] - value) < 4 * error  # of one draw; that errors hold is for many to tell
