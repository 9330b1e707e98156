"""Weather beyond the range of the formula for the speed of sound: taken, and told by every command that meets it."""

from __future__ import annotations

import pytest

from commandline import DESIGN, TARGET, said
from evenflare.commands import designs, searching
from evenflare.design.file import read_design
from evenflare.files import InputError
from evenflare.measurement.session import read_session
from evenflare.report.kit import canvas
from evenflare.report.waveguide import measured
from room_shared import ROOM, forward, pattern, stored
from synthetic_rig import SyntheticRig, point, write_session_files

COLD = "[air]\ntemperature_c = -20\nhumidity_percent = 40\npressure_kpa = 60\n"
MILD = "[air]\ntemperature_c = 10\nhumidity_percent = 40\n"
WORDS = "-20 Celsius at 60 kPa lies outside 0 to 30 Celsius and 75 to 102 kPa"
SLOW = 319.07
"""m/s: dry air at -20 Celsius and 60 kPa, equation of state of Lemmon et al. (2000), 319.06, and 0.01 for humidity."""


@pytest.fixture
def outside(here, plain, monkeypatch):
    """Files with cold weather and with mild; no pictures."""
    for name, weather in (("cold", COLD), ("mild", MILD)):
        (here / f"{name}.toml").write_text(DESIGN + weather)
        (here / f"{name}_target.toml").write_text(TARGET + weather)
        (here / f"{name}_room.toml").write_text(ROOM + weather)
    stored(here / "box", pattern(forward))
    monkeypatch.setattr(designs, "write_solution", lambda *_, **__: [("summary.csv", "a table")])
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    monkeypatch.setattr(measured, "pictures", lambda directivity: {})
    return here


@pytest.mark.parametrize(
    ("command", "where"),
    [
        ("solve {}.toml --out out --setting estimate", "{}.toml [air] "),
        ("score {}.toml --target {}_target.toml", "{}.toml [air] "),
        ("room box {}_room.toml --out out", "{}_room.toml [air] "),
    ],
)
def test_what_it_is_worked_with_is_told(capsys, outside, command, where):
    code, _, err = said(capsys, command.replace("{}", "cold"))
    assert code in (0, 1)  # 1: a limit that the design breaks
    assert where.replace("{}", "cold") + "speed of sound: " + WORDS in err
    assert "lies outside" not in said(capsys, command.replace("{}", "mild"))[2]
    assert read_design("cold.toml").air.speed_of_sound == pytest.approx(SLOW, rel=3e-4)  # Cramer's own uncertainty


def test_a_search_tells_before_it_begins(capsys, outside, monkeypatch):
    def stop(*_, **__):
        raise InputError("stopped here")

    monkeypatch.setattr(searching, "search_command", stop)
    code, _, err = said(capsys, "search cold_target.toml --out out")
    assert (code, "stopped here" in err) == (2, True)
    assert f"cold_target.toml [air] speed of sound: {WORDS}" in err


def test_air_of_a_measurement_is_not_the_designs(capsys, outside):
    stored(outside / "like", pattern(forward))
    assert "lies outside" not in said(capsys, "solve cold.toml --out out --setting estimate --like like")[2]


def test_a_measurement_in_the_cold_is_taken_and_told(capsys, outside):
    weather = {"temperature_c": -20, "humidity_percent": 40, "pressure_kpa": 60}
    tables = {"rig": {"mounting": "sphere", **weather}, "analysis": {"from_hz": 500, "to_hz": 4000, "per_octave": 1}}
    write_session_files(outside / "rig", point, rig=SyntheticRig(temperature=253.15, humidity=0.4), tables=tables)
    assert read_session(outside / "rig" / "session.toml").rig.air.speed_of_sound == pytest.approx(SLOW, rel=3e-4)
    code, _, err = said(capsys, "measure rig/session.toml --out out")
    assert code == 0
    assert WORDS in err
    assert WORDS in (outside / "out" / "session.json").read_text()
