"""Bad files and numbers: one message on standard error, exit code 2, nothing written."""

from __future__ import annotations

import pytest

from commandline import DESIGN, TARGET, contents, said

pytestmark = pytest.mark.usefixtures("compiled")

CROSSING = """
[waveguide]
points_mm = [[0, 12.7], [40, 30], [60, 60], [20, 60], [40, 20], [80, 90]]
[driver]
exit_diameter_mm = 25.4
"""


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, r"bad.toml: cannot be read (No such file or directory)"),
        ("x = [", "bad.toml line 1: is not TOML"),
        ("", "[waveguide]"),
        (DESIGN.replace("depth_mm", "depht_mm"), "[waveguide] depht_mm"),
        (DESIGN.replace("25.4", "25400"), "[driver] exit_diameter_mm = 25400: must be 10 to 150"),
        (CROSSING, "the profile crosses itself"),
        (DESIGN + '[mounting]\nkind = "sphere"\nradius_mm = 60', "[mounting] radius_mm = 60: must be at least"),
        (b"\xff\xfe", "bad.toml: is not UTF-8 text"),
    ],
    ids=["missing", "broken", "empty", "unknown key", "too large", "crossing", "small sphere", "not text"],
)
@pytest.mark.parametrize("command", ["solve bad.toml --out out", "export bad.toml --out out"])
def test_bad_design_is_told_and_nothing_is_written(capsys, here, command, text, message):
    if text is not None:
        (here / "bad.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    before = contents(here)
    code, out, err = said(capsys, command)
    assert (code, out) == (2, "")
    assert message in err
    assert "bad.toml" in err
    assert contents(here) == before
    assert not (here / "out").exists()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "bad.toml: cannot be read"),
        ("[wanted\n", "bad.toml line 1: is not TOML"),
        ("", "[wanted]"),
        (TARGET.replace("tolerance_db", "tolerance"), "[wanted] tolerance"),
        (TARGET.replace("25.4", "25400"), "[driver] exit_diameter_mm = 25400: must be 10 to 150"),
        (TARGET.replace("[7.0, 9.0]", "[17.0, 9.0]"), "[wanted] index_db = 17.00 at 1500 Hz: lies"),
        (TARGET.replace("[60, 100]", "[100, 60]"), "[limits] depth_mm"),
    ],
    ids=["missing", "broken", "empty", "unknown key", "too large", "unreachable", "swapped"],
)
def test_bad_target_is_told_before_a_search_begins(capsys, here, text, message):
    if text is not None:
        (here / "bad.toml").write_text(text)
    code, out, err = said(capsys, "search bad.toml --out out")
    assert (code, out) == (2, "")
    assert message in err
    assert not (here / "out").exists()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ("--workers 0", "--workers = 0: must be 1 to "),
        ("--workers 1000000", "--workers = 1000000: must be 1 to "),
        ("--minutes 0", "--minutes = 0: must be above 0"),
        ("--minutes nan", "--minutes = nan: must be above 0"),
        ("--candidates 5", "--candidates = 5: must be at least 20 for 2 families"),
        ("--seed -4", "--seed = -4: must be 0 to 2147483647. Choose another, or leave it out"),
    ],
)
def test_bad_numbers_of_a_search_are_told(capsys, here, options, message):
    code, out, err = said(capsys, f"search target.toml --out out {options}")
    assert (code, out) == (2, "")
    assert err.startswith(message), "before the sentence on the largest mouth"
    assert err.count("\n") == 1
    assert not (here / "out").exists()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ("--tool-radius-mm -1", "--tool-radius-mm = -1: must be a number above 0"),
        ("--tool-radius-mm nan", "--tool-radius-mm = nan: must be a number above 0"),
        ("--tool-radius-mm inf", "--tool-radius-mm = inf: must be a number above 0"),
        ("--tool-radius-mm 300", "it must be at most"),
        ("--chord-error-mm 0", "--chord-error-mm = 0: must be"),
        ("--chord-error-mm inf", "--chord-error-mm = inf: must be"),
    ],
)
def test_bad_numbers_of_an_export_are_told(capsys, here, options, message):
    code, out, err = said(capsys, f"export design.toml --out out {options}")
    assert (code, out) == (2, "")
    assert message in err
    assert not (here / "out").exists()


def test_distance_inside_the_mouth_names_the_file(capsys, here):
    (here / "near.toml").write_text(DESIGN + "[analysis]\ndistance_m = 0.06\n")
    code, out, err = said(capsys, "solve near.toml --out out --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("near.toml [analysis] distance_m = 0.06: must keep every point outside")


def test_distance_that_ends_inside_the_waveguide_is_told(capsys, here):
    (here / "near.toml").write_text(DESIGN + "[analysis]\ndistance_m = 0.05\nreference_z_mm = 20\n")
    code, out, err = said(capsys, "solve near.toml --out out --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("near.toml [analysis] distance_m = 0.05: the point on axis lies behind the baffle")


def test_score_against_a_design_names_the_file_at_fault(capsys, here):
    code, out, err = said(capsys, "score design.toml --target design.toml")
    assert (code, out) == (2, "")
    assert "design.toml [wanted]: missing table" in err


def test_folder_without_a_run_has_no_history(capsys, here):
    code, out, err = said(capsys, "history .")
    assert (code, out) == (2, "")
    assert "holds no search" in err
    assert set(contents(here)) == {"design.toml", "target.toml"}
