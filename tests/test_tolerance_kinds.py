"""What `tolerance` says of every kind of design: oblong, in a cabinet, standing free, on a sphere, with a room."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from evenflare.cli import run
from evenflare.studies import sensitivity, tolerance

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("unpainted")]

ROUND = """[waveguide]
family = "oblate_spheroidal"
depth_mm = 40
wall_angle_deg = 42
roundover_radius_mm = {rim}
"""
OBLONG = """[waveguide]
{section}
[waveguide.horizontal]
family = "oblate_spheroidal"
depth_mm = 40
wall_angle_deg = 45
roundover_radius_mm = {rim}
[waveguide.vertical]
family = "oblate_spheroidal"
depth_mm = 40
wall_angle_deg = 28
roundover_radius_mm = {rim}
"""
SHELL = """kind = "free_standing"
outline = "rolled_shell"
rim_radius_mm = 15
back_diameter_mm = 100
back_depth_mm = 40
"""
CABINET = 'kind = "cabinet"\nwidth_mm = 160\nheight_mm = 160\ndepth_mm = 100\n'
KINDS = {
    "sphere": (ROUND.format(rim=10), 'kind = "sphere"\nradius_mm = 90\n', {"ovality": "cannot become oval"}),
    "shell": (ROUND.format(rim=0), SHELL, {}),
    "cabinet": (ROUND.format(rim=10), CABINET, {"tilt": "Take the same waveguide in a baffle"}),
    "superelliptic": (OBLONG.format(section="section_exponent = 2.8", rim=10), "", {}),
    "oblong shell": (OBLONG.format(section="", rim=0), SHELL, {"tilt": "or a round one that stands free"}),
}
EVERY = {"waviness", "offset", "bow", "scale", "throat_step", "ovality", "tilt"}


@pytest.fixture(autouse=True)
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """How fine the places are and how many walls prove a band does not matter to whether a kind can be answered."""
    for name, value in {"ROUND_PLACES": 6, "OBLONG_PLACES": 2, "AZIMUTHS": 2}.items():
        monkeypatch.setattr(sensitivity, name, value)
    for name in ("WORST_WALLS", "RANDOM_WALLS", "OBLONG_WORST", "OBLONG_RANDOM", "OBLONG_TURNING", "EVEN"):
        monkeypatch.setattr(tolerance, name, 1)
    monkeypatch.setattr(tolerance, "FORESEEN_WALLS", 50)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_design_has_an_answer(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    waveguide, mounting, unknown = KINDS[kind]
    design, out = tmp_path / "design.toml", tmp_path / "out"
    design.write_text(
        f'name = "{kind}"\n{waveguide}[driver]\nexit_diameter_mm = 25.4\n'
        + (f"[mounting]\n{mounting}" if mounting else "")
        + "[analysis]\nfrequencies_hz = [2000]\n"
    )
    asked = ["tolerance", str(design), "--within-db", "0.1", "--out", str(out), "--correlation-length-mm", "25"]
    assert run([*asked, "--quiet"]) == 0, capsys.readouterr().err
    found = json.loads((out / "tolerance.json").read_text())
    assert set(found["db_per_mm"]) == EVERY - set(unknown)
    assert set(found["not_known"]) == set(unknown)
    for name, words in unknown.items():
        assert words in found["not_known"][name]
    assert (found["tilt_off_axis"] is None) == ("tilt" in unknown)
    assert all(zone["plus_mm"] > 0.0 for zone in found["zones"])
    assert found["proof"]["worst_db"] <= 0.1
    assert ("Tilt off axis" in (out / "report.html").read_text()) == ("tilt" not in unknown)


def test_a_target_with_a_room_counts_in_the_score(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    design, out = tmp_path / "design.toml", tmp_path / "out"
    waveguide, mounting, _ = KINDS["sphere"]
    design.write_text(f'name = "round"\n{waveguide}[driver]\nexit_diameter_mm = 25.4\n[mounting]\n{mounting}')
    targets = Path(__file__).parent.parent / "targets"
    hall = (targets / "hall.toml").read_text().replace('kind = "baffle"', 'kind = "sphere"\nradius_mm = 200')
    room = f'[wanted.room]\nroom = "{targets / "rooms" / "living_room.toml"}"\nweight = 0.5\n\n[limits]'
    target = tmp_path / "target.toml"
    target.write_text(hall.replace("[limits]", room))
    asked = ["tolerance", str(design), "--within-db", "0.1", "--out", str(out), "--to-hz", "3000"]
    assert run([*asked, "--target", str(target), "--quiet"]) == 0, capsys.readouterr().err
    found = json.loads((out / "tolerance.json").read_text())
    assert all(each["score_db_per_mm"] is not None for each in found["kinds"] if each["kind"] in ("offset", "scale"))
    assert found["to_hz"] <= 3000.0
