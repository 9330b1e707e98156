"""A waveguide off the middle of a small cabinet, round and oblong: solved, compared, heard in a room, cut."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from commandline import said
from evenflare import metrics
from evenflare.directivity.folder import read_directivity
from evenflare.report.kit import canvas
from evenflare.studies import directions
from evenflare.units import DEGREE
from room_shared import ROOM

DRIVER = "[driver]\nexit_diameter_mm = 25.4\n"
CONE = 'family = "conical"\ndepth_mm = 20\nwall_angle_deg = {}\n'
WALLS = {
    "round": "[waveguide]\n" + CONE.format(40),
    "oblong": f"[waveguide.horizontal]\n{CONE.format(45)}[waveguide.vertical]\n{CONE.format(30)}",
}
BOX = """[mounting]
kind = "cabinet"
width_mm = 120
height_mm = 160
depth_mm = 100
waveguide_y_mm = 20
[analysis]
frequencies_hz = [250, 320, 400, 500, 630, 800, 1000, 1250]
off_axis_step_deg = 10
"""


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["round", "oblong"])
def test_boxed_waveguide_goes_all_the_way(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EVENFLARE_CACHE", str(tmp_path / "cache"))
    Path("boxed.toml").write_text(WALLS[kind] + DRIVER + BOX, encoding="utf-8")
    Path("r.toml").write_text(ROOM, encoding="utf-8")
    assert said(capsys, "solve boxed.toml --out solved --setting screen --quiet")[0] == 0
    seen = read_directivity(Path("solved")).directivity
    observation = seen.observation
    assert observation.symmetry == "left_right"
    assert observation.off_axis[0] == pytest.approx(-170.0 * DEGREE)
    assert {0.0, 90.0} <= set(np.round(observation.plane / DEGREE, 6).tolist())
    assert not seen.half_space
    up, down = (int(np.abs(observation.off_axis - angle * DEGREE).argmin()) for angle in (60.0, -60.0))
    level = metrics.levels_re_on_axis(seen)
    horizontal, vertical = 0, observation.plane.size - 1
    # Left and right are alike to what is written, up and down are not.
    np.testing.assert_allclose(level[:, horizontal, up], level[:, horizontal, down], atol=2e-4)
    assert np.abs(level[:, vertical, up] - level[:, vertical, down]).max() > 0.3
    for name in ("balloon.csv", "balloon.png", "cabinet_effect.csv"):
        assert Path("solved", name).is_file()

    # Power from the mouth is the power that arrives all round; by quadrature over 10 degrees and few planes.
    assert seen.sound_power is not None
    arriving = metrics.sound_power_level(dataclasses.replace(seen, sound_power=None, resolved=None))
    np.testing.assert_allclose(metrics.sound_power_level(seen), arriving, atol=0.15)

    # The same pictures as above, and those of any comparison and any room.
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    assert said(capsys, "solve boxed.toml --like solved --out again --setting screen --quiet")[0] == 0
    assert said(capsys, "compare solved again --out compared --tolerance-db 0.01 --quiet")[0] == 0
    assert said(capsys, "room solved r.toml --out heard --quiet")[0] == 0
    assert said(capsys, "export boxed.toml --out cut --quiet")[0] == 0
    assert directions.sides(seen).keys() == {1, -1}
