"""Readings checked as they come: the wrong one is named at once, what is being written is waited for. Invented data."""

from __future__ import annotations

import os
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from commandline import said
from evenflare.cli import measurement
from evenflare.closed_forms import cap_pattern
from evenflare.commands.watching import POLL, STUCK, UNSURE, Watch
from evenflare.files import InputError
from evenflare.measurement.neighbours import faults
from evenflare.report.waveguide import measured
from evenflare.units import DEGREE
from field_rigs import SPEED, exponential, radial_cap
from synthetic_rig import SyntheticRig, write_session_files
from wavs import write_wav

ANGLES = list(range(-90, 91, 10))
PLAN = {"rig": {"mounting": "sphere"}, "plan": {"horizontal_deg": ANGLES}}
QUIET = SyntheticRig(samples=2048, noise_db=-70.0)


def name(angle: int) -> str:
    return f"turn_{angle:+g}.wav"


@cache
def recorded(folder: Path, kind: str) -> Path:
    """A rig's files, a radial cap on a sphere (Aarts and Janssen, 2011), in time with the plan."""
    swept = exponential(0.25, 200.0, 20000.0, rise=0.02, fall=0.01) if kind == "sweep" else None
    more = {"azimuth_deg": (0.0,), "symmetry": "round", "kind": kind, "swept": swept, "tables": PLAN}
    write_session_files(folder / kind, radial_cap(0.09, 0.7), rig=QUIET, off_axis_deg=ANGLES, **more)
    return folder / kind


class Field:
    """A folder that is watched, and a clock."""

    def __init__(self, source: Path, folder: Path, *, session: str | None = None) -> None:
        folder.mkdir()
        text = (source / "session.toml").read_text() if session is None else session
        (folder / "session.toml").write_text(text)
        if (source / "reference.wav").exists():
            shutil.copy(source / "reference.wav", folder)
        self.source, self.folder, self.now = source, folder, 100.0
        self.watch = Watch(folder)
        self.look()

    def look(self, after: float = POLL) -> list[str]:
        self.now += after
        return [each.words for each in self.watch.look(self.now)]

    def comes(self, file: str, edit=None, *, source: str = "", rate: int | None = None) -> list[str]:
        """What is said when a recording has come."""
        samples, own = soundfile.read(self.source / (source or file))
        samples = samples if edit is None else edit(samples)
        write_wav(self.folder / file, samples, rate or own)
        assert self.look() == []  # it may still be written
        return self.look()

    def all_come(self, edits=None, *, angles=ANGLES) -> dict[str, list[str]]:
        return {name(a): self.comes(name(a), (edits or {}).get(name(a))) for a in angles}


@pytest.fixture(scope="module")
def sources(tmp_path_factory):
    return tmp_path_factory.mktemp("recorded")


@pytest.fixture(params=["impulse_response", "sweep"])
def field(request, tmp_path, sources) -> Field:
    return Field(recorded(sources, request.param), tmp_path / "field")


@pytest.fixture
def impulses(tmp_path, sources) -> Field:
    return Field(recorded(sources, "impulse_response"), tmp_path / "field")


@pytest.fixture
def sweeps(tmp_path, sources) -> Field:
    return Field(recorded(sources, "sweep"), tmp_path / "field")


def test_right_readings_are_good_and_the_plan_is_counted_down(field):
    told = field.all_come()
    for count, (file, lines) in enumerate(told.items(), start=1):
        reading, to_go = lines
        assert reading.startswith(f"{file.removesuffix('.wav')}: good, ")
        assert " dB signal to noise" in reading
        left = len(ANGLES) - count
        assert to_go.startswith(f"{left} of 19 to go: horizontal " if left else "all 19 are there and good")
    assert told["turn_+50.wav"][1] == "4 of 19 to go: horizontal +60, +70, +80, +90"
    assert field.watch.complete
    assert field.watch.summary() == ["19 good"]
    assert field.look(60.0) == []


MISTAKES = {
    "inverted, repeat it: of the opposite polarity to ": lambda x: -x,
    "late, repeat it: beside ": lambda x: np.concatenate([np.zeros(24), x[:-24]]),
    "flat at full scale, the input was overloaded. ": lambda x: np.clip(4.0 * x / np.abs(x).max(), -1.0, 1.0),
    "no arrival, ": lambda x: np.random.default_rng(1).normal(scale=0.01, size=x.size),
    "is silent, every sample is 0. ": np.zeros_like,
}


@pytest.mark.parametrize("words", MISTAKES)
def test_the_wrong_reading_is_named_when_it_comes_and_no_other_ever(field, words):
    told = field.all_come({"turn_-20.wav": MISTAKES[words]})
    assert told["turn_-20.wav"][0].startswith("turn_-20: ")
    assert words in told["turn_-20.wav"][0]
    assert all("repeat: turn_-20" in lines[-1] for lines in list(told.values())[ANGLES.index(-20) :])
    others = [line for file, lines in told.items() for line in lines[:-1] if file != "turn_-20.wav"]
    assert all(": good, " in line for line in others)
    assert not field.watch.complete
    assert field.watch.summary()[0] == "18 good"
    again = field.comes("turn_-20.wav")
    assert again[0].startswith("turn_-20: good, ")
    assert again[1] == "all 19 are there and good"
    assert field.watch.complete


@pytest.mark.parametrize("at", [-50, 20])
def test_a_slip_of_gain_is_told_of_the_right_one_once_it_has_neighbours(impulses, at):
    told = impulses.all_come({name(at): lambda x: 1.5 * x})
    words = f"does not fit turn_{at:+g} in level, the next angle tells which of both is wrong"
    assert told[name(at + 10)][0].endswith(words)
    said_then = told[name(at + 20)]
    assert sum("dB louder, repeat it: than" in line for line in said_then) == 1
    (line,) = (line for line in said_then if "repeat it" in line)
    assert line.startswith(f"turn_{at:+g}: ")
    assert "3.5 dB louder" in line or "3.4 dB louder" in line  # 20 log10 1.5 = 3.52, less what a spline leaves
    others = [each for lines in told.values() for each in lines[:-1] if each != line]
    assert all(": good, " in each for each in others)


def test_a_sweep_that_was_cut_off_or_has_holes_is_told(sweeps):
    def hole(x):
        return np.where((np.arange(x.size) > 5000) & (np.arange(x.size) < 5400), 0.0, x)

    assert "turn_+0: cut off, lasts 0.10 s and the sweep 0.25" in sweeps.comes(name(0), lambda x: x[:4800])[0]
    assert "samples were lost" in sweeps.comes(name(10), hole)[0]
    assert ": 44100 samples a second, the sweep has 48000. Record at that rate" in sweeps.comes(name(20), rate=44100)[0]


def test_an_impulse_response_that_ends_or_is_padded_inside_the_gate_is_told(impulses):
    impulses.comes(name(0))
    assert ", before the gate does (" in impulses.comes(name(10), lambda x: x[:500])[0]
    padded = impulses.comes(name(20), lambda x: np.where(np.arange(x.size) < 500, x, 0.0))[0]
    assert padded.startswith("turn_+20: nothing but zeros from 10.42 ms on, inside the gate")  # 500 / 48 kHz
    assert "turn_-10: an arrival at " in impulses.comes(name(-10), lambda x: np.roll(x, 400))[0]
    assert ": 44100 samples a second, the others 48000" in impulses.comes(name(30), rate=44100)[0]


def test_a_reading_that_replaces_another_is_held_against_it(impulses):
    impulses.comes(name(0))
    again = impulses.comes(name(0), lambda x: 1.2 * x)[0]
    assert again.startswith("turn_+0: good, ")
    assert again.endswith("; 1.6 dB louder than the former one")  # 20 log10 1.2 = 1.58
    assert impulses.comes(name(0), lambda x: -1.2 * x)[0].endswith("; the former one was of the opposite polarity")
    assert impulses.comes(name(0), lambda x: -1.2 * x)[0].endswith("of full scale")


def test_few_readings_tell_polarity_of_the_nearest(impulses):
    impulses.comes(name(-90), lambda x: -x)
    second = impulses.comes(name(-80))[0]
    assert "turn_-80: inverted, repeat it: of the opposite polarity to turn_-90, or that one is" in second
    third = impulses.comes(name(-70))
    assert any(line.startswith("turn_-90: now that its neighbours are there: inverted") for line in third)
    assert any(line.startswith("turn_-80: after all good") for line in third)
    assert third[-1].endswith("to repeat: turn_-90")


def test_repeats_are_held_against_each_other_before_neighbours_are_there(tmp_path, sources):
    source = recorded(sources, "impulse_response")
    text = (source / "session.toml").read_text().replace("{off_axis_deg}", "{off_axis_deg}_{repeat}") + "repeats = 4\n"
    field = Field(source, tmp_path / "field", session=text)
    assert ": good, " in field.comes("turn_0_1.wav", source=name(0))[0]
    second = field.comes("turn_0_2.wav", lambda x: -x, source=name(0))
    words = "turn_0_2: inverted, repeat it: of the opposite polarity to turn_0_1, the same direction. A third one tells"
    assert second[0].startswith(words)
    third = field.comes("turn_0_3.wav", lambda x: 1.05 * x, source=name(0))
    assert third[0].startswith("turn_0_3: good, ")
    assert third[0].endswith("; 0.4 dB louder than turn_0_1")  # 20 log10 1.05 = 0.42
    fourth = field.comes("turn_0_4.wav", lambda x: 1.2 * x, source=name(0))
    assert fourth[0].startswith("turn_0_4: 1.2 dB louder, repeat it: than turn_0_3")  # 20 log10 (1.2 / 1.05) = 1.16
    assert fourth[1].startswith("72 of 76 to go: horizontal -90, -90 (repeat 2), -90 (repeat 3), ")


def test_a_file_that_is_still_written_is_waited_for_and_not_blamed(sweeps):
    whole = (sweeps.source / name(0)).read_bytes()
    file = sweeps.folder / name(0)
    for share in (0.0, 0.3, 0.9):
        file.write_bytes(whole[: int(share * len(whole))])
        assert sweeps.look() == sweeps.look() == []
    file.write_bytes(whole)
    sweeps.look()
    assert sweeps.look()[0].startswith("turn_+0: good, ")


def test_a_header_that_is_finished_last_is_waited_for(sweeps):
    whole = (sweeps.source / name(0)).read_bytes()
    unfinished = whole[:4] + (100).to_bytes(4, "little") + whole[8:]
    (sweeps.folder / name(0)).write_bytes(unfinished)
    assert sweeps.look() == sweeps.look(UNSURE - 3 * POLL) == []
    (sweeps.folder / name(0)).write_bytes(whole)
    sweeps.look()
    assert sweeps.look()[0].startswith("turn_+0: good, ")


def test_a_file_whose_end_never_comes_is_told_once(sweeps):
    whole = (sweeps.source / name(0)).read_bytes()
    (sweeps.folder / name(0)).write_bytes(whole[:-1000])
    sweeps.look()
    words = f"turn_+0: has {len(whole) - 1000} of {len(whole)} bytes and grows no more. Copy it again, or repeat it"
    assert sweeps.look(STUCK + POLL) == [words]
    assert sweeps.look(STUCK) == []


def test_readings_that_were_there_are_summed_up_and_strangers_named(tmp_path, sources):
    source = recorded(sources, "impulse_response")
    folder = tmp_path / "field"
    shutil.copytree(source, folder)
    samples, rate = soundfile.read(folder / name(40))
    write_wav(folder / name(40), -samples, rate)
    soundfile.write(folder / "take 7.wav", samples, rate)
    for file in folder.iterdir():
        os.utime(file, (1.0, 1.0))
    watch = Watch(folder / "session.toml")
    lines = [each.words for each in watch.look(0.0)]
    assert lines[0] == "take 7.wav: not read, its name is not as turn_{off_axis_deg}.wav. Rename it"
    assert lines[1] == "19 readings there already, 18 good"
    assert lines[2].startswith("turn_+40: inverted, repeat it: of the opposite polarity to turn_+30 and turn_+50")
    assert lines[3:] == ["all 19 are there; to repeat: turn_+40"]
    (folder / name(40)).unlink()
    assert [each.words for each in watch.look(1.0)] == ["turn_+40: gone", "1 of 19 to go: horizontal +40"]


def test_without_a_plan_readings_are_checked_and_nothing_is_missing(tmp_path, sources):
    source = recorded(sources, "impulse_response")
    text = (source / "session.toml").read_text().partition("[plan]")[0]
    field = Field(source, tmp_path / "field", session=text)
    assert field.comes(name(0))[-1] == "1 reading there"
    assert not field.watch.complete
    planned = Field(source, tmp_path / "planned")
    assert planned.comes("turn_25.wav", source=name(20))[0].endswith("; not in the plan")


def test_two_wrong_files_far_apart_do_not_hide_each_other():
    """All round, an inverted one told by even angles and a loud one among these: no frequency was left to judge by."""
    angle = np.arange(-170, 181, 10)
    frequency = np.geomspace(200.0, 20000.0, 80)
    size = 2.0 * np.pi * frequency * 0.09 / SPEED
    pattern = cap_pattern(size, np.abs(angle) * DEGREE, half_angle=0.7, motion="radial").T
    pattern = pattern * np.exp(-1j * np.outer(np.cos(angle * DEGREE), size))
    pattern[15] *= -1.0
    pattern[20] *= 2.0
    found = faults(
        np.zeros(angle.size),
        angle * DEGREE,
        pattern,
        frequency=frequency,
        usable=np.ones(frequency.size, dtype=bool),
        speed_of_sound=SPEED,
    )
    assert [(each.reading, each.what) for each in found] == [(15, "inverted"), (20, "level")]


def test_watching_needs_sounds_and_a_folder(tmp_path, sources):
    source = recorded(sources, "impulse_response")
    text = (source / "session.toml").read_text()
    (tmp_path / "session.toml").write_text(text.replace('"impulse_response"', '"response"'))
    with pytest.raises(InputError, match='must be "impulse_response" or "sweep", sounds'):
        Watch(tmp_path)
    (tmp_path / "session.toml").write_text(text.replace('"turn_', '"there/turn_'))
    with pytest.raises(InputError, match="there is no folder. Make it"):
        Watch(tmp_path)


def following(monkeypatch, field_folder: Path, source: Path, files: list[str], *, then=None) -> None:
    """A file comes whenever the command has nothing to do, then something else happens."""
    left = iter([each for file in files for each in (file, "")])

    def wait(seconds: float) -> None:
        file = next(left, None)
        if file:
            shutil.copy(source / file, field_folder)
        elif file is None and then is not None:
            raise then

    monkeypatch.setattr(measurement.time, "sleep", wait)


@pytest.mark.usefixtures("unpainted")
def test_the_command_ends_with_the_plan_and_goes_on_to_measure(capsys, monkeypatch, tmp_path, sources):
    source = recorded(sources, "impulse_response")
    folder = tmp_path / "field"
    folder.mkdir()
    shutil.copy(source / "session.toml", folder)
    following(monkeypatch, folder, source, [name(a) for a in ANGLES])
    monkeypatch.setattr(measured, "pictures", lambda directivity: {})  # they take most of the time
    code, out, err = said(capsys, f"measure {folder} --watch --out {tmp_path / 'measured'}")
    assert code == 0, err
    assert "turn_-90: good, " in out
    assert "all 19 are there and good\n" in out
    assert (tmp_path / "measured" / "summary.csv").exists()
    assert f"Watching {folder}; Ctrl-C ends it\n" in err
    assert "\a" not in out + err  # no terminal, no bell


def test_ctrl_c_ends_with_what_is_good_wrong_and_missing(capsys, monkeypatch, tmp_path, sources):
    source = recorded(sources, "sweep")
    folder = tmp_path / "field"
    folder.mkdir()
    for file in ("session.toml", "reference.wav"):
        shutil.copy(source / file, folder)
    following(monkeypatch, folder, source, [name(a) for a in ANGLES[:4]], then=KeyboardInterrupt)
    code, out, err = said(capsys, f"measure {folder}/session.toml --watch")
    assert code == 130
    summary = out[out.rindex("to go") :].splitlines()[1:]
    assert summary == ["4 good", f"missing: horizontal {', '.join(f'{a:+g}'.replace('+0', '0') for a in ANGLES[4:])}"]
    assert err.endswith("interrupted; every reading is where it was\n")
    for file in folder.iterdir():
        os.utime(file, (1.0, 1.0))
    code, out, _ = said(capsys, f"measure --watch {folder}")
    assert (code, out.splitlines()[-2]) == (130, "4 good")
    code, _, err = said(capsys, f"measure {folder}/session.toml --watch {tmp_path}")
    assert code == 2
    assert f"the readings lie in {folder}. Leave the folder out, or correct [files]" in err
    code, _, err = said(capsys, "measure --watch")
    assert (code, err.partition(".")[0]) == (2, "SESSION: missing")
