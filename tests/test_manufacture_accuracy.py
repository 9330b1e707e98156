"""How true a process is, in its file: the figures that come along, faults, and measured ones written there."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import numpy as np
import pytest

from evenflare.files import InputError
from evenflare.manufacture.casting.casting import tolerance
from evenflare.manufacture.process.accuracy import with_accuracy
from evenflare.manufacture.process.file import BUNDLED, read_process
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide.accuracy import Accuracy

TEXTS = {
    name: files("evenflare.manufacture").joinpath("processes", f"{name}.toml").read_text("utf-8") for name in BUNDLED
}
MEASURED = Accuracy(
    bias=-0.03 * MM,
    spread=0.11 * MM,
    correlation_length=12.5 * MM,
    around="independent",
    scale_bias=0.0004,
    scale_spread=0.0002,
    throat_step=0.07 * MM,
    source="inspected: 5 parts",
)


def test_each_bundled_process_says_how_true_it_is_and_where_that_is_from():
    for name in BUNDLED:
        accuracy = read_process(name).accuracy
        assert accuracy is not None
        assert "invented" in accuracy.source


def test_spread_of_the_lathe_is_that_of_the_grade_it_names():
    """i = 0.45 D^(1/3) + 0.001 D in micrometres, D in mm the geometric mean of the range; IT11 is 100 i (ISO 286-1)."""
    mean = np.sqrt(180.0 * 250.0)
    band = 100.0 * (0.45 * np.cbrt(mean) + 0.001 * mean) * 1e-3
    accuracy = read_process("lathe").accuracy
    assert "IT11" in accuracy.source
    # Half the band is three standard deviations of a diameter, which moves by twice the wall; written to 0.001 mm.
    assert accuracy.spread / MM == pytest.approx(0.5 * band / 3.0 / 2.0, abs=1e-3)


def test_spread_of_the_casting_is_that_of_its_own_grade():
    process = read_process("casting")
    accuracy, half = process.accuracy, 0.5 * tolerance(200.0 * MM, process.casting.grade)
    assert f"DCTG {process.casting.grade}" in accuracy.source
    together = np.hypot(accuracy.spread, accuracy.scale_spread * 100.0 * MM)  # at a rim of 200 mm
    assert together == pytest.approx(half / 3.0 / 2.0, rel=0.01)  # written to two digits


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("wall_spread_mm = 0.08", "wall_spread_mm = 80", ["must be 0 to 5", "micrometres? Then write 0.08"]),
        ("wall_spread_mm = 0.08", "", ["wall_spread_mm: missing. Add for example wall_spread_mm = 0.08"]),
        ("correlation_length_mm = 15", "correlation_length_mm = 1", ["must be 2 to 500", "Is it in inches?"]),
        ('around = "independent"', 'around = "independant"', ['must be "alike" or "independent"', "Did you mean"]),
        ("throat_step_mm", "throat_stepp_mm", ["unknown key. Did you mean throat_step_mm?"]),
        ("scale_spread_percent = 0.1", "scale_spread_percent = -1", ["must be 0 to 5", "Raise it"]),
        ("[accuracy]", "[acuracy]", ["[acuracy]", "Did you mean [accuracy]?"]),
    ],
)
def test_a_fault_is_told_with_its_key_and_remedy(tmp_path, old, new, words):
    path = tmp_path / "mine.toml"
    assert old in TEXTS["router"]
    path.write_text(TEXTS["router"].replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_process(path)
    for word in [str(path), *words]:
        assert word in str(told.value)


def test_a_process_need_not_say(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(TEXTS["router"].split("[accuracy]")[0], encoding="utf-8")
    assert read_process(path).accuracy is None


@pytest.mark.parametrize("name", BUNDLED)
@pytest.mark.parametrize("silent", [False, True])
def test_measured_values_are_written_and_read_back_and_all_else_stays(tmp_path, name, silent):
    text = TEXTS[name].split("\n[accuracy]")[0] if silent else TEXTS[name]
    written = with_accuracy(text, MEASURED)
    path = tmp_path / "mine.toml"
    path.write_text(written, encoding="utf-8")
    found = read_process(path).accuracy
    assert found.around == MEASURED.around
    assert found.source == MEASURED.source
    for key in ("bias", "spread", "correlation_length", "scale_bias", "scale_spread", "throat_step"):
        assert getattr(found, key) == pytest.approx(getattr(MEASURED, key), rel=1e-6)  # six digits
    before, after = (tomllib.loads(each) for each in (text, written))
    assert {**after, "accuracy": None} == {**before, "accuracy": None}
    assert [line for line in text.splitlines() if "#" in line and line.split("#")[1] not in written] == []
    assert with_accuracy(written, MEASURED) == written


def test_what_no_process_file_may_say_is_not_written():
    with pytest.raises(ValueError, match="throat_step_mm"):
        with_accuracy(TEXTS["router"], Accuracy(throat_step=0.01, source="measured"))
    for broken in ("[accuracy", "accuracy = 3\n"):
        with pytest.raises(ValueError, match="process file"):
            with_accuracy(broken, MEASURED)
