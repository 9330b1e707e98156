"""Commands on a single design: what they tell, list and write."""

from __future__ import annotations

import json
import re

import pytest

from commandline import DESIGN, contents, finished, said
from evenflare.commands import check

pytestmark = pytest.mark.usefixtures("compiled")

BENT = """
[waveguide]
points_mm = [[0, 12.7], [40, 20], [53.2, 41.2], [62.2, 64.5], [66.5, 89.2]]
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "sphere"
radius_mm = 200
"""


@pytest.mark.usefixtures("unpainted")
@pytest.mark.parametrize(("command", "sphere"), [("export", True), ("solve --setting estimate", False)])
def test_corners_of_points_and_what_else_there_is_to_say_are_told(capsys, here, command, sphere):
    (here / "bent.toml").write_text(BENT)
    code, out, err = said(capsys, f"{command} bent.toml --out out")
    assert code == 0
    assert out.startswith(
        "corners kept at z = 40.0 mm; between points the smooth wall leaves the straight lines by up to 0.63 mm\n"
    )
    assert "warning: bent.toml [waveguide] the smooth wall leaves the straight lines" in err
    assert "by up to 0.63 mm. Lower corner_deg, 8 now, to keep more corners, or give more points\n" in err
    # atan(7.3 / 40) = 10.34 degrees, against a flat exit
    assert "note: corner of 10.3 deg between exit and wall at the throat\n" in err
    assert ("note: the model assumes the sphere; the solid has a flat front\n" in err) is sphere
    _, quiet, err = said(capsys, f"{command} bent.toml --out out --quiet")
    assert quiet == out
    assert err.startswith("warning: ")
    assert "note: " not in err


def test_a_plain_design_is_not_remarked_on(capsys, here, plain):
    text = DESIGN.replace("exit_diameter_mm = 25.4", "exit_diameter_mm = 25.4\nexit_half_angle_deg = 40")
    (here / "smooth.toml").write_text(text)
    _, out, err = said(capsys, "export smooth.toml --out out")
    assert "corners" not in out
    assert err == ""


def test_points_on_straight_lines_warn_of_nothing(capsys, here, plain):
    (here / "lines.toml").write_text(BENT.replace(", [62.2, 64.5], [66.5, 89.2]", ""))
    _, out, err = said(capsys, "export lines.toml --out out --quiet")
    assert out.startswith("corners kept at z = 40.0 mm; between points the smooth wall leaves the straight lines by up")
    assert err == ""


def test_an_angle_that_may_be_in_radians_is_noted(capsys, here, plain):
    (here / "tube.toml").write_text(DESIGN.replace("= 42", "= 0.7"))
    _, _, err = said(capsys, "export tube.toml --out out")
    # 0.7 radians are 40.107 degrees
    assert err == (
        "note: tube.toml [waveguide] a wall angle of 0.7 degrees is almost a tube. If 0.7 is in radians, write"
        " wall_angle_deg = 40.11\n"
    )


UNDERCUT = BENT.replace("[66.5, 89.2]", "[60, 89.2]")


@pytest.mark.parametrize("command", ["solve bad.toml --out out", "score bad.toml --target target.toml"])
def test_an_undercut_is_told_by_file_and_place(capsys, here, command):
    (here / "bad.toml").write_text(UNDERCUT)
    code, out, err = said(capsys, f"{command} --quiet")
    assert (code, out) == (2, "")
    assert "bad.toml [waveguide] the wall turns to " in err
    assert "must be at most 90, where it would run back toward the throat. Move the points after that place" in err
    assert "caps" not in err


@pytest.mark.parametrize(
    ("solid", "message"),
    [
        ('kind = "shell"\nwall_mm = 200', "d.toml [solid] wall_mm = 200: must be at most 20 while"),
        ("flange_diameter_mm = 100", "d.toml [solid] flange_diameter_mm = 100: must be "),
    ],
)
def test_a_solid_that_cannot_be_made_is_told_with_its_file(capsys, here, solid, message):
    (here / "d.toml").write_text(f"{DESIGN}[solid]\n{solid}\n")
    code, out, err = said(capsys, "export d.toml --out out --quiet")
    assert (code, out) == (2, "")
    assert err.startswith(message)


def test_a_wall_beyond_its_mouth_is_told_with_its_file(capsys, here):
    (here / "d.toml").write_text(UNDERCUT)
    code, out, err = said(capsys, "export d.toml --out out --quiet")
    assert (code, out) == (2, "")
    assert re.search(r"^d\.toml \[waveguide\] the wall reaches z_mm = \d", err, re.MULTILINE)
    assert "must stay within 0 to 60, else no block holds it. Let the profile end where it is deepest" in err


def test_solve_lists_what_it_wrote_and_says_nothing_else_when_quiet(here):
    (here / "design.toml").write_text(f"{DESIGN}[analysis]\nfrom_hz = 500\nto_hz = 4000\nper_octave = 2\n")
    code, out, err = finished("solve design.toml --out out --setting screen --quiet")
    assert (code, err) == (0, "")
    assert "Directivity index: " in out
    assert "Estimated error: " in out
    assert " dB of the polar response, " in out
    assert all(f"  {name} " in out for name in contents(here / "out"))
    record = json.loads((here / "out" / "provenance.json").read_text())
    assert record["setting"] == "screen"
    assert record["command"] == "evenflare solve design.toml --out out --setting screen --quiet"


@pytest.mark.usefixtures("unpainted")
def test_first_look_warns_of_itself(capsys, here):
    code, out, _ = said(capsys, "solve design.toml --out out --setting estimate")
    assert code == 0
    assert "Error not estimated at this setting" in out


def test_export_lists_what_it_wrote(capsys, here):
    code, out, err = said(capsys, "export design.toml --out to/cut --quiet")
    assert (code, err) == (0, "")
    assert set(contents(here / "to" / "cut")) == {"design.toml", "solid.stl", "points.csv", "report.html"}
    assert all(f"  {name} " in out for name in contents(here / "to" / "cut"))


def test_score_of_a_shape_within_limits(capsys, here):
    code, out, err = said(capsys, "score design.toml --target target.toml --quiet")
    assert (code, err) == (0, "")
    assert out.startswith("The target is not met: index leaves the tolerance.\nIndex: outside the tolerance at ")
    assert "\nLimits: all kept.\nscore " in out
    search = "evenflare search target.toml --out design_search --from design.toml\n"
    assert f"What to do next:\n  Let a search begin at this shape; it ends no worse:\n    {search}" in out
    code, out, err = said(capsys, "score design.toml --target target.toml --json --quiet")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert found["feasible"] is True
    assert found["met"] is False
    assert all(abs(each["deviation_db"]) > 0.5 for each in found["outside"]["index"])  # the target's tolerance
    assert found["not_counted_hz"] == []


def test_score_of_a_broken_limit_is_no(capsys, here):
    (here / "deep.toml").write_text(DESIGN.replace("= 80", "= 104"))
    code, out, _ = said(capsys, "score deep.toml --target target.toml")
    assert code == 1
    (line,) = [line for line in out.splitlines() if "depth_mm" in line]
    assert line.endswith("BROKEN")
    code, out, _ = said(capsys, "score deep.toml --target target.toml --json")
    assert code == 1
    found = json.loads(out)
    assert found["feasible"] is False
    assert found["limits"]["depth_mm"] == pytest.approx(4.0)  # 104 mm, at most 100 allowed
    assert found["score_db"] > 0


def test_score_tells_where_design_and_target_differ(capsys, here):
    (here / "other.toml").write_text(DESIGN.replace("25.4", "26"))
    _, out, err = said(capsys, "score other.toml --target target.toml --json")
    json.loads(out)
    assert "note: the design's [driver] differs from the target's" in err
    assert json.loads(out)["notes"] == ["the design's [driver] differs from the target's: the design's own is used"]


def test_check_passes_on_this_machine(capsys, here):
    code, out, err = said(capsys, "check --quiet")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert all(line.startswith("ok    ") for line in lines)
    assert any("closed form" in line for line in lines)
    assert set(contents(here)) == {"design.toml", "target.toml"}


def test_failed_check_is_no(capsys, monkeypatch):
    found = [check.Check("air", "thin", False), check.Check("walls", "rigid", True)]
    monkeypatch.setattr(check, "checks", lambda: iter(found))
    code, out, _ = said(capsys, "check --quiet")
    assert (code, out) == (1, "FAIL  air: thin\nok    walls: rigid\n")
