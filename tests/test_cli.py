"""The commands as a user meets them: exit codes, what goes to which stream, and what is left on the disk."""

from __future__ import annotations

import argparse
import errno
import json
import os
import re
import resource
import shlex
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest

from evenflare import __version__, check, commands
from evenflare.cli import run
from evenflare.options import parser
from evenflare.radiation.march import warm_up

SCRIPT = Path(sys.executable).with_name("evenflare")
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
"""Standard output buffered, as at a user's: a full disk may then show only at the end."""

DESIGN = """
name = "plain cone"
[waveguide]
family = "conical"
depth_mm = 80
wall_angle_deg = 42
roundover_radius_mm = 15
[driver]
exit_diameter_mm = 25.4
"""
TARGET = """
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1500, 4000]
index_db = [7.0, 9.0]
tolerance_db = [0.5, 0.5]
[limits]
depth_mm = [60, 100]
mouth_diameter_mm = [150, 240]
[search]
families = ["conical", "free"]
candidates = 60
seed = 3
"""
COMMANDS = ("search", "history", "solve", "score", "export", "check")


@pytest.fixture(scope="module", autouse=True)
def _compiled():
    """The compiled parts are in their cache: no test meets them being made."""
    warm_up()


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty folder to work in, with a design and a target that are in order."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "design.toml").write_text(DESIGN)
    (tmp_path / "target.toml").write_text(TARGET)
    return tmp_path


@pytest.fixture
def plain(monkeypatch):
    """No pictures and pages: they take most of the time, and other tests look at them."""
    monkeypatch.setattr(commands, "write_solution", lambda *_, **__: [])
    monkeypatch.setattr(commands, "write_report", lambda *_, **__: None)


def said(capsys, line: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command line."""
    capsys.readouterr()
    code = run(shlex.split(line))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def asked(capsys, line: str) -> tuple[int, str, str]:
    """The same where the options themselves end the program."""
    with pytest.raises(SystemExit) as end:
        run(shlex.split(line))
    return (end.value.code, *capsys.readouterr())


def started(line: str, **others) -> subprocess.Popen[str]:
    """The installed command in a process of its own."""
    words = [str(SCRIPT), *shlex.split(line)]
    arguments = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "env": ENVIRONMENT}
    return subprocess.Popen(words, **(arguments | others))


def finished(line: str, **others) -> tuple[int, str, str]:
    """Exit code and both streams of the installed command."""
    process = started(line, **others)
    out, err = process.communicate(timeout=120)
    assert "Traceback" not in (out or "") + (err or "")
    return process.returncode, out, err


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, hidden ones too, with its bytes."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# --- help and options


def test_help_names_every_command_with_an_example_and_the_exit_codes(capsys):
    code, out, err = asked(capsys, "--help")
    assert (code, err) == (0, "")
    assert all(f"evenflare {command}" in out for command in COMMANDS)
    for number in (0, 1, 2, 3, 130):
        assert f"{number} " in out.partition("exit codes:")[2]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_has_an_example_that_parses(capsys, command):
    code, out, err = asked(capsys, f"{command} --help")
    assert (code, err) == (0, "")
    assert "--quiet" in out
    (example,) = [line for line in out.splitlines() if line.startswith("example: ")]
    words = shlex.split(example.removeprefix("example: evenflare ").partition(" > ")[0])
    assert parser().parse_args(words).command == command == words[0]


def test_options_are_documented():
    for action in parser()._subparsers._group_actions[0].choices.values():  # type: ignore[union-attr,attr-defined]
        assert isinstance(action, argparse.ArgumentParser)
        assert all(option.help for option in action._actions)


def test_targets_in_the_examples_are_bundled(capsys):
    _, out, _ = asked(capsys, "--help")
    named = {word for word in out.split() if word.startswith("targets/")}
    assert named
    assert all((Path(__file__).parent.parent / name).is_file() for name in named)


def test_version_is_told(capsys):
    assert asked(capsys, "--version") == (0, f"evenflare {__version__}\n", "")


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("", "evenflare: the following arguments are required: COMMAND. See evenflare --help\n"),
        ("solve a.toml", "evenflare solve: the following arguments are required: --out. See evenflare solve --help\n"),
        ("solve a.toml --out b --setting finest", "evenflare solve: argument --setting: invalid choice: 'finest'"),
        ("solve '' --out b", "evenflare solve: argument design: is empty: must name a file or folder, as in results."),
        ("solve a.toml --out ''", "evenflare solve: argument --out: is empty: must name a file or folder"),
        ("search a.toml --out ' '", "evenflare search: argument --out: is empty: must name a file or folder"),
        ("history ''", "evenflare history: argument RUN: is empty: must name a file or folder"),
        ("search a.toml --out b --seed one", "evenflare search: argument --seed: invalid int value: 'one'"),
        ("history a --fast", "evenflare history: unrecognized arguments: --fast. See evenflare history --help\n"),
    ],
)
def test_wrong_options_are_told_in_one_line(capsys, line, message):
    code, out, err = asked(capsys, line)
    assert (code, out) == (2, "")
    assert err.startswith(message)
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("serach a.toml", "Did you mean search? See evenflare --help\n"),
        ("solve a.toml --out b --setting ful", "Did you mean full? See evenflare solve --help\n"),
        ("search a.toml --out b --candidate 30", "Did you mean --candidates? See evenflare search --help\n"),
        ("search a.toml --out b --worker=1", "Did you mean --workers? See evenflare search --help\n"),
        ("search a.toml --out b --cand 30", "unrecognized arguments: --cand 30. "),  # no abbreviations
    ],
)
def test_a_slip_in_a_word_is_answered_with_the_nearest(capsys, line, hint):
    code, out, err = asked(capsys, line)
    assert (code, out) == (2, "")
    assert hint in err
    assert err.count("\n") == 1


def test_help_of_solve_says_how_exact_each_setting_is(capsys):
    _, out, _ = asked(capsys, "solve --help")
    words = " ".join(out.split())
    assert "full (index typically within 0.02 dB, up to 0.1 near a dip on axis)" in words
    assert "screen (typically 0.1 dB, up to 1 dB at the top)" in words
    assert "estimate (2 to 5 dB rms above a few kHz, a first look)" in words


# --- bad input

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


# --- folders that cannot be written, disks that are full


@pytest.mark.parametrize("command", ["solve design.toml", "export design.toml", "search target.toml --workers 1"])
@pytest.mark.parametrize("folder", ["design.toml", "design.toml/sub"])
def test_folder_that_cannot_be_made_is_told(capsys, here, command, folder):
    before = contents(here)
    code, out, err = said(capsys, f"{command} --out {folder} --quiet")
    assert (code, out) == (2, "")
    assert err == "design.toml: is a file, not a folder. Choose another --out\n"
    assert contents(here) == before


@pytest.mark.parametrize("command", ["solve", "export"])
@pytest.mark.parametrize("fitting", [0, 2])
def test_full_disk_leaves_old_files_whole_and_no_temporary_ones(capsys, here, monkeypatch, command, fitting):
    assert said(capsys, f"{command} design.toml --out out")[0] == 0
    old = contents(here / "out")
    (here / "design.toml").write_text(DESIGN.replace("= 42", "= 38"))
    flushed = []

    def fsync(handle: int) -> None:
        flushed.append(handle)
        if len(flushed) > fitting:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fsync)
    code, out, err = said(capsys, f"{command} design.toml --out out")
    assert (code, out) == (2, "")
    assert "cannot be written: the disk is full. Free some space" in err
    assert contents(here / "out") == old, "nothing is replaced until all is written"
    monkeypatch.undo()
    os.chdir(here)
    assert said(capsys, f"{command} design.toml --out out")[0] == 0
    assert contents(here / "out") != old


def small_files() -> None:
    """In a process about to start: no file may grow beyond 20 kB."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


@pytest.mark.parametrize("command", ["solve design.toml --setting estimate", "export design.toml"])
def test_write_that_the_system_refuses_leaves_no_half_file(here, command):
    # Once without the limit, so that libraries have written their own caches: those may be larger.
    assert finished(f"{command} --out before --quiet")[0] == 0
    code, out, err = finished(f"{command} --out out --quiet", preexec_fn=small_files)
    assert (code, out) == (2, "")
    assert "cannot be written" in err
    assert "requested and" not in err
    assert contents(here / "out") == {}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="writes to a device that is always full")
@pytest.mark.parametrize("command", ["score design.toml --target target.toml", "check"])
def test_full_standard_output_is_the_surroundings_fault(here, command):
    with open("/dev/full", "w") as full:
        code, _, err = finished(f"{command} --quiet", stdout=full)
    assert code == 2
    assert err == "cannot write: the disk is full. Free some disk space, then run it again\n"


# --- our own faults, and interruptions


def test_own_fault_is_one_line_that_names_the_details(capsys, here, monkeypatch):
    def broken(*_):
        raise RuntimeError("the wheels came off")

    monkeypatch.setattr(commands, "export_command", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here))
    code, out, err = said(capsys, "export design.toml --out 'a folder' --quiet")
    assert (code, out) == (3, "")
    assert err.count("\n") == 1
    assert err.startswith("evenflare failed, and it is our fault (the wheels came off). Details: ")
    details = Path(err.strip().rpartition("Details: ")[2])
    assert details.parent == here
    text = details.read_text()
    assert "evenflare export design.toml --out 'a folder' --quiet" in text
    assert __version__ in text
    assert "Traceback" in text
    assert "RuntimeError: the wheels came off" in text


def test_own_fault_without_room_for_the_details_is_still_one_line(capsys, here, monkeypatch):
    def broken(*_):
        raise RuntimeError("the wheels came off")

    monkeypatch.setattr(commands, "export_command", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here / "design.toml"))
    code, _, err = said(capsys, "export design.toml --out out --quiet")
    assert code == 3
    assert "The details could not be written (Not a directory)" in err
    assert err.count("\n") == 1


def test_interrupted_command_ends_with_130(capsys, here, monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(commands, "solve_command", interrupted)
    code, out, err = said(capsys, "solve design.toml --out out --quiet")
    assert (code, out) == (130, "")
    assert err == "interrupted; what was finished is kept\n"


def test_a_request_to_end_is_taken_as_ctrl_c(here):
    process = started("solve design.toml --out out --setting full --quiet")
    time.sleep(1.0)  # it is loading or solving; both take longer
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (130, "")
    assert err == "interrupted; what was finished is kept\n"
    assert set(contents(here)) == {"design.toml", "target.toml"}


def test_a_request_to_end_has_its_usual_meaning_outside_a_command(capsys, here):
    before = signal.getsignal(signal.SIGTERM)
    assert said(capsys, "history .")[0] == 2
    assert signal.getsignal(signal.SIGTERM) is before


def test_pipe_that_breaks_without_its_reader_gone_is_no_success(capsys, here, monkeypatch):
    def broken(*_):
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))

    monkeypatch.setattr(commands, "export_command", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(here))
    code, _, err = said(capsys, "export design.toml --out out --quiet")
    assert code == 3
    assert err.startswith("evenflare failed, and it is our fault ([Errno 32] Broken pipe)")


def test_worker_that_cannot_be_started_is_told(capsys, here, monkeypatch):
    def broken(*_, **__):
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))

    monkeypatch.setattr(ProcessPoolExecutor, "submit", broken)
    code, out, err = said(capsys, "search target.toml --out out --workers 2 --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("a worker process could not be started (Broken pipe). Free some memory, or run it again with")


# --- single designs

BENT = """
[waveguide]
points_mm = [[0, 12.7], [35, 30], [60, 60], [90, 120]]
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "sphere"
radius_mm = 200
"""


@pytest.mark.parametrize(("command", "sphere"), [("export", True), ("solve --setting estimate", False)])
def test_corners_of_points_and_what_else_there_is_to_say_are_told(capsys, here, command, sphere):
    (here / "bent.toml").write_text(BENT)
    code, out, err = said(capsys, f"{command} bent.toml --out out")
    assert code == 0
    assert out.startswith(
        "corners kept at z = 35.0 mm; between points the smooth wall leaves the straight lines by up to 2.43 mm\n"
    )
    assert "warning: bent.toml [waveguide] the smooth wall leaves the straight lines" in err
    assert "by up to 2.43 mm. Lower corner_deg, 8 now, to keep more corners, or give more points\n" in err
    # atan(17.3 / 35) = 26.30 degrees, against a flat exit
    assert "note: corner of 26.3 deg between exit and wall at the throat\n" in err
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
    (here / "lines.toml").write_text(BENT.replace("[60, 60], ", ""))
    _, out, err = said(capsys, "export lines.toml --out out --quiet")
    assert out.startswith("corners kept at z = 35.0 mm; between points the smooth wall leaves the straight lines by up")
    assert err == ""


def test_an_angle_that_may_be_in_radians_is_noted(capsys, here, plain):
    (here / "tube.toml").write_text(DESIGN.replace("= 42", "= 0.7"))
    _, _, err = said(capsys, "export tube.toml --out out")
    # 0.7 radians are 40.107 degrees
    assert err == (
        "note: tube.toml [waveguide] a wall angle of 0.7 degrees is almost a tube. If 0.7 is in radians, write"
        " wall_angle_deg = 40.11\n"
    )


UNDERCUT = BENT.replace("[90, 120]", "[55, 120]")


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
    assert "must stay within 0 to 55, else no block holds it. Let the profile end where it is deepest" in err


def test_solve_lists_what_it_wrote_and_says_nothing_else_when_quiet(here):
    code, out, err = finished("solve design.toml --out out --setting screen --quiet")
    assert (code, err) == (0, "")
    assert "Directivity index: " in out
    assert "Estimated error of the index: " in out
    assert all(f"  {name} " in out for name in contents(here / "out"))
    record = json.loads((here / "out" / "provenance.json").read_text())
    assert record["setting"] == "screen"
    assert record["command"] == "evenflare solve design.toml --out out --setting screen --quiet"


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
    assert out.startswith("score ")
    code, out, err = said(capsys, "score design.toml --target target.toml --json --quiet")
    assert (code, err) == (0, "")
    assert json.loads(out)["feasible"] is True


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


# --- searches

SEARCH = "search target.toml --out run --workers 1"


def test_search_tells_progress_on_standard_error_and_the_result_on_standard_output(capsys, here, plain):
    (here / "target.toml").write_text(TARGET.replace("= 60", "= 20"))
    code, out, err = said(capsys, SEARCH)
    assert code == 0
    assert err.startswith("The largest mouth that [limits] allow, 240 mm, can give an index of ")
    for stage in ("published families", "free curve", "the best at full setting", "Solving and exporting the winner"):
        assert stage in err
        assert stage not in out
    assert out.startswith("20 candidates asked for, ")
    assert "better than the best published family" in out
    code, again, err = said(capsys, f"{SEARCH} --quiet")  # a finished run is read back
    assert (code, again, err) == (0, out, "")
    code, rows, err = said(capsys, "history run --quiet")
    assert (code, err) == (0, "")
    assert rows.startswith("number,stage,score,feasible,family,")
    best = (here / "run" / "best.toml").read_bytes()
    (here / "target.toml").write_text(TARGET.replace("= 60", "= 20").replace("9.0", "8.9"))
    code, out, err = said(capsys, f"{SEARCH} --quiet")
    assert (code, out) == (2, "")
    assert "run: holds a search with another target. Choose another --out folder" in err
    code, out, err = said(capsys, f"{SEARCH} --quiet --seed 8")
    assert "another target and another seed (3 there, 8 now)" in err
    assert (here / "run" / "best.toml").read_bytes() == best
    assert said(capsys, "history run") == (0, rows, "")


def test_history_whose_reader_has_seen_enough_is_not_a_fault(here):
    folder = here / "run"
    folder.mkdir()
    target = here / "target.toml"
    assert run(shlex.split(f"search {target} --out {folder} --workers 1 --minutes 1e-9 --quiet")) == 1
    with closing(sqlite3.connect(folder / "candidates.sqlite")) as store, store:
        row = ("conical", "[0.5]", 1.0, 1, "{}", "{}", "{}", "")
        store.executemany(
            "INSERT INTO candidate VALUES (?,'screen',?,?,?,?,?,?,?,?)", [(i, *row) for i in range(1, 20_001)]
        )
    process = started("history run")
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline().startswith("number,stage,score,feasible")
    process.stdout.close()
    assert process.stderr.read() == ""
    process.stderr.close()
    assert process.wait(timeout=60) == 0


def test_search_without_a_feasible_shape_is_no(capsys, here):
    text = TARGET.replace("[search]", "smallest_concave_radius_mm = 500\n[search]")
    (here / "target.toml").write_text(text.replace('"conical", "free"', '"exponential"').replace("= 60", "= 10"))
    code, out, err = said(capsys, f"{SEARCH} --quiet")
    assert (code, err) == (1, "")
    # The tenth is kept for polishing, and there is nothing to polish.
    assert out == (
        "9 candidates asked for, 0 solved, 0 of them at full\n"
        "No candidate keeps the limits: the nearest, of family exponential, breaks smallest_concave_radius_mm by 486;"
        " most often broken is smallest_concave_radius_mm, by 9 of 9\n"
        "Widen [limits], or ask for more candidates\n"
    )
    assert set(contents(here / "run")) == {"candidates.sqlite", "candidates.lock"}


def test_search_that_had_no_time_does_not_blame_the_limits(capsys, here):
    code, out, err = said(capsys, f"{SEARCH} --quiet --minutes 1e-9")
    assert (code, err) == (1, "")
    assert out.endswith("No candidate keeps the limits so far\n")
    assert said(capsys, "history run") == (0, "number,stage,score,feasible,family,reason\n", "")


def scored(folder: Path) -> int:
    """Scored candidates in a run's store, 0 before there is one."""
    store = f"{(folder / 'candidates.sqlite').as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(store, uri=True)) as connection:
            count: int = connection.execute("SELECT count(*) FROM candidate WHERE feasible").fetchone()[0]
    except sqlite3.Error:
        return 0
    return count


@pytest.fixture
def begin(here):
    """begin(n): a search in a process of its own, halted once it has n scored candidates."""
    processes = []

    def begun(candidates: int) -> subprocess.Popen[str]:
        process = started("search target.toml --out run --workers 2 --quiet", start_new_session=True)
        processes.append(process)
        deadline = time.monotonic() + 120
        while scored(here / "run") < candidates:
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.01)
        process.send_signal(signal.SIGSTOP)
        return process

    yield begun
    for process in processes:
        if process.poll() is None:
            process.kill()
            process.communicate()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """The history of a whole run, and its folder."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "target.toml").write_text(TARGET)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(commands, "write_solution", lambda *_, **__: [])
        patch.setattr(commands, "write_report", lambda *_, **__: None)
        assert run(["search", f"{folder}/target.toml", "--out", f"{folder}/run", "--workers", "1", "--quiet"]) == 0
    return SimpleNamespace(
        history=list(commands.history_lines(folder / "run")), best=(folder / "run" / "best.toml").read_text()
    )


@pytest.mark.slow
@pytest.mark.parametrize("asked_by", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_search_keeps_what_is_finished_and_continues(capsys, here, plain, undisturbed, begin, asked_by):
    process = begin(5)
    code, out, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("run: another search is running in this folder")
    code, out, _ = said(capsys, "history run")  # may be read meanwhile
    assert code == 0
    assert out.count("\n") > 5
    os.killpg(process.pid, asked_by)  # the workers too
    process.send_signal(signal.SIGCONT)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 130
    assert err == "interrupted; the same command on the same folder continues\n"
    assert "Best: " in out
    assert {"best.toml", "best/solid.stl", "best/summary.csv", "report.html"} <= set(contents(here / "run"))
    kept = list(commands.history_lines(here / "run"))
    assert 5 < len(kept) < len(undisturbed.history)
    code, _, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, err) == (0, "")
    assert list(commands.history_lines(here / "run")) == undisturbed.history
    assert (here / "run" / "best.toml").read_text() == undisturbed.best


@pytest.mark.slow
def test_killed_search_continues_to_the_undisturbed_history(capsys, here, plain, undisturbed, begin):
    process = begin(12)
    process.kill()
    process.communicate()
    kept = list(commands.history_lines(here / "run"))
    assert 12 < len(kept) < len(undisturbed.history)
    code, _, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, err) == (0, "")
    assert list(commands.history_lines(here / "run")) == undisturbed.history
    assert (here / "run" / "best.toml").read_text() == undisturbed.best


def workers_of(pid: int) -> list[int]:
    """Worker processes that a search has started, also those that are still loading."""
    children = " ".join(each.read_text() for each in Path(f"/proc/{pid}/task").glob("*/children")).split()
    return [int(child) for child in children if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()]


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="reads the system's list of processes")
@pytest.mark.parametrize("asked_by", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_at_a_terminal_which_reaches_loading_workers_too_ends_with_130(here, asked_by):
    process = started("search target.toml --out run --workers 2 --quiet", start_new_session=True)
    deadline = time.monotonic() + 60
    try:
        while len(workers_of(process.pid)) < 2:
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.01)
        time.sleep(0.2)  # they take longer to load
        os.killpg(process.pid, asked_by)
        _, err = process.communicate(timeout=30)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
    assert process.returncode == 130
    assert err == "interrupted; the same command on the same folder continues\n"
