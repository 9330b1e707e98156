"""A session file drafted from the names of a folder's files."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenflare import text
from evenflare.files import InputError
from evenflare.measurement.names import found as files_named
from evenflare.measurement.session import read_session
from evenflare.measurement.session_writing import write_session
from readings import tried

ORBIT = (-20, -10, 0, 10, 20)


def holding(folder: Path, *names: str) -> Path:
    for name in names:
        if name.endswith(".wav"):
            soundfile.write(folder / name, [0.0, 0.5, 0.25, 0.0], 48000)
        else:
            (folder / name).write_text("100 1 2\n200 1 2\n")
    return folder


def drafted(folder: Path) -> tuple[dict, tuple[str, ...]]:
    draft = write_session(folder)
    assert draft.path == folder / "session.toml"
    return tomllib.loads(draft.path.read_text(encoding="utf-8")), draft.assumed


def filled(folder: Path, *lines: str) -> None:
    """As a user fills it in."""
    path = folder / "session.toml"
    text = path.read_text().replace("[rig]\n", "[rig]\ndistance_m = 2.0\n")
    for line in lines:
        table, key = line.split(" ", 1)
        text = text.replace(f"{table}\n", f"{table}\n{key}\n")
    path.write_text(text)


def test_both_planes_by_their_names(tmp_path):
    holding(tmp_path, *(f"{p}_{a}.wav" for p in ("turn", "tilt") for a in ORBIT), "mic.txt")
    found, assumed = drafted(tmp_path)
    assert found["files"] == {
        "kind": "impulse_response",
        "horizontal": "turn_{off_axis_deg}.wav",
        "vertical": "tilt_{off_axis_deg}.wav",
        "symmetry": "none",
    }
    assert found["microphone"] == {"calibration": "mic.txt"}
    assert found["rig"] == {}
    assert assumed == (
        'kind "impulse_response", by the names\' endings',
        "turn_{off_axis_deg}.wav (5 angles from -20 to 20) is the horizontal plane, by its name",
        "tilt_{off_axis_deg}.wav (5 angles from -20 to 20) is the vertical plane, by its name",
        'symmetry "none": both planes are there on both sides',
        "mic.txt is the microphone's calibration, by its name",
    )


def test_draft_is_read_once_it_is_filled_in(tmp_path):
    holding(tmp_path, *(f"turn_{a}_{r}.wav" for a in ORBIT for r in (1, 2, 3)))
    drafted(tmp_path)
    with pytest.raises(InputError, match="distance_m: missing"):
        read_session(tmp_path / "session.toml")
    filled(tmp_path, '[files] symmetry = "round"', "[rig] source_height_m = 3", "[rig] microphone_height_m = 3")
    assert len(read_session(tmp_path / "session.toml").readings) == 15


@pytest.mark.parametrize(
    ("names", "template"),
    [
        ([f"a{a:+d}_deg.txt" for a in ORBIT], "a{off_axis_deg}_deg.txt"),
        ([f"turn-{a}.txt" for a in (0, 10, 20)], "turn-{off_axis_deg}.txt"),
        ([f"turn-{a}.txt" for a in ORBIT], "turn-{off_axis_deg}.txt"),
        ([f"unit7 {a}.txt" for a in ORBIT], "unit7 {off_axis_deg}.txt"),
        ([f"p7_{a}_{r}.txt" for a in (0, 15, 30, 45) for r in (1, 2)], "p7_{off_axis_deg}_{repeat}.txt"),
        ([f"p7_{r}_{a}.txt" for a in (0, 15, 30, 45) for r in (1, 2)], "p7_{repeat}_{off_axis_deg}.txt"),
        ([f"{a / 2:g}.txt" for a in ORBIT], "{off_axis_deg}.txt"),
        ([f'q"{a}.txt' for a in ORBIT], 'q"{off_axis_deg}.txt'),
    ],
)
def test_angle_and_repeat_are_found_in_the_names(tmp_path, names, template):
    found, _ = drafted(holding(tmp_path, *names))
    assert found["files"]["horizontal"] == template
    filled(tmp_path, '[files] symmetry = "round"')
    assert len(read_session(tmp_path / "session.toml").readings) == len(names)


def test_sweeps_have_their_reference(tmp_path):
    found, assumed = drafted(holding(tmp_path, *(f"sweep_{a}.wav" for a in ORBIT), "reference.wav"))
    assert found["files"]["kind"] == "sweep"
    assert found["files"]["reference"] == "reference.wav"
    assert found["files"]["horizontal"] == "sweep_{off_axis_deg}.wav"
    assert "reference.wav is the sweep as it was played, by its name" in assumed


def test_what_is_not_used_is_listed(tmp_path):
    holding(tmp_path, *(f"turn_{a}.wav" for a in ORBIT), *(f"h{a}.txt" for a in ORBIT), "noise.wav", "notes.txt")
    _, assumed = drafted(tmp_path)
    left = [each for each in assumed if each.startswith("not used")]
    assert left == [f"not used: {n}" for n in sorted([*(f"h{a}.txt" for a in ORBIT), "noise.wav", "notes.txt"])]
    for each in left:
        assert f"# {each}\n" in (tmp_path / "session.toml").read_text()


def test_plane_that_no_word_names_is_doubted(tmp_path):
    _, assumed = drafted(holding(tmp_path, *(f"x{a}.wav" for a in ORBIT)))
    assert (
        "x{off_axis_deg}.wav (5 angles from -20 to 20) is the horizontal plane, though nothing in the names says"
        in ("\n".join(assumed))
    )
    assert "# symmetry =   # FILL IN" in (tmp_path / "session.toml").read_text()


def test_sofa_file_and_design_are_taken(tmp_path):
    found, assumed = drafted(holding(tmp_path, "a.sofa", "b.sofa", "design.toml"))
    assert found["files"] == {"kind": "sofa", "sofa": "a.sofa"}
    assert found["design"] == "design.toml"
    assert "not used: b.sofa" in assumed


def test_name_that_is_no_text_is_left_out_and_told(tmp_path):
    holding(tmp_path, *(f"turn_{a}.wav" for a in ORBIT))
    try:
        (tmp_path / "turn_\udcff30.wav").write_bytes(b"")
    except OSError:
        pytest.skip("this disk takes no such name")
    _, assumed = drafted(tmp_path)
    assert assumed[-1] == "not used: turn_?30.wav"


def test_refusals(tmp_path):
    with pytest.raises(InputError, match="holds no files with an angle in their names. Rename them, as in turn_-10"):
        write_session(tmp_path)
    with pytest.raises(InputError, match=r"none: is not there. Name the folder that holds the readings"):
        write_session(tmp_path / "none")
    (tmp_path / "session.toml").write_text("mine")
    with pytest.raises(InputError, match=r"session.toml: is there already, and is not overwritten"):
        write_session(tmp_path)
    assert (tmp_path / "session.toml").read_text() == "mine"


name = st.text(alphabet="abhv-_+. 0123456789{}\"'\\ü", min_size=1, max_size=12).map(lambda text: text + ".wav")


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sets(name, max_size=6))
def test_whatever_the_names_it_is_toml_that_names_or_lists_every_file(tmp_path_factory, names):
    folder = tmp_path_factory.mktemp("names")
    for each in names:
        (folder / each).touch()
    draft, _ = tried(drafted, folder)
    if draft is None:
        return
    found, assumed = draft
    left = {each.removeprefix("not used: ") for each in assumed if each.startswith("not used")}
    read = []
    for key in ("horizontal", "vertical"):
        if key in found["files"]:
            named, words = tried(files_named, folder, found["files"][key], where="draft")
            if named is None:
                assert "are both of" in words  # 1.wav and 01.wav
                return
            read += [each.file.name for each in named]
    special = [found["files"].get("reference")]
    assert sorted([*read, *left, *filter(None, special)]) == sorted(n for n in names if not n.startswith("."))


def test_names_of_files_that_hold_lines_or_controls_do_not_break_the_draft(tmp_path):
    for name in ("turn_0.wav", "turn_10.wav", "odd\n[rig]\u202e.wav", "turn_20\x1b.wav"):
        (tmp_path / name).touch()
    write_session(tmp_path)
    written = (tmp_path / "session.toml").read_text("utf-8")
    assert "# not used: odd\\x0a[rig]\\u202e.wav\n" in written
    assert text.visible(written) == written
    assert tomllib.loads(written)["files"]["horizontal"] == "turn_{off_axis_deg}.wav"
