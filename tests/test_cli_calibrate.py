"""`calibrate`, and its driver in design and target files: what a user sees, what is written, and what is refused."""

import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from commandline import DESIGN, TARGET, asked, contents, said
from evenflare import radiation
from evenflare.air import Air
from evenflare.cli import run
from evenflare.commands import solving
from evenflare.design.file import read_design
from evenflare.files import InputError
from evenflare.measurement import unknowns
from evenflare.measurement.calibrate import calibrate
from evenflare.measurement.calibration import Calibration
from evenflare.measurement.unknowns import applied, unknowns_of
from evenflare.report.kit import canvas
from evenflare.search.request import request
from evenflare.target.target import read_target
from evenflare.units import DEGREE

pytestmark = pytest.mark.usefixtures("compiled")

ANALYSIS = "exit_half_angle_deg = 6\n[analysis]\nfrom_hz = 1000\nto_hz = 14000\nper_octave = 3\n"
TRUTH = ANALYSIS.replace("= 6\n", "= 9\nvelocity_profile = [[0, 1.2], [0.5, 1.1], [1, 0.8]]\n")


@pytest.fixture(scope="module")
def heard(tmp_path_factory, compiled):
    """What boundary elements hear of a prototype whose driver is another, as `solve` writes it."""
    folder = tmp_path_factory.mktemp("heard")
    (folder / "truth.toml").write_text(DESIGN + TRUTH)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(canvas, "png", lambda _: b"\x89PNG")
        patch.setattr(solving, "_compared", lambda sound, *_: sound)
        words = f"solve {folder}/truth.toml --out {folder}/measured --method boundary_elements --quiet"
        assert run(words.split()) == 0
    return folder / "measured"


@pytest.fixture
def measured(here, heard, monkeypatch):
    """A design, and the measurement of its prototype."""
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    (here / "design.toml").write_text(DESIGN + ANALYSIS)
    shutil.copytree(heard, here / "measured")
    return here


@pytest.fixture
def calibrated(here):
    """A design and a target that take over a calibrated driver, and that driver's file."""
    line = 'calibrated = "known/calibrated.toml"\n'
    (here / "design.toml").write_text(DESIGN + line)
    (here / "target.toml").write_text(TARGET.replace("25.4\n", "25.4\n" + line))
    (here / "known").mkdir()
    write_driver(here, "exit_half_angle_deg = 7\nvelocity_profile = [[0, 1.1], [1, 0.9]]")
    return here


def write_driver(here: Path, keys: str, rest: str = "[fitted.throat_taper]\nvalue = 0.1\n") -> None:
    (here / "known" / "calibrated.toml").write_text(f"[driver]\nexit_diameter_mm = 25.4\n{keys}\n{rest}")


def test_calibrate_finds_the_driver_and_the_next_design_takes_it_over(capsys, measured):
    code, out, err = said(capsys, "calibrate design.toml measured --out found")
    assert code == 0
    assert "step 1: derivatives of 5 unknowns" in err
    assert "warning: measured names the design" in err  # the truth is another design's
    assert "exit half-angle" in out
    assert "Deviation on held-out angles" in out
    names = {"calibrated.toml", "calibration.csv", "calibration.html", "fitted.png", "deviation_over_angle.png"}
    assert names < set(contents(measured / "found"))
    data = tomllib.loads((measured / "found" / "calibrated.toml").read_text())
    angle, taper = (data["fitted"][name] for name in (unknowns.ANGLE, unknowns.TAPER))
    assert angle["low"] < 9 < angle["high"]
    assert angle["high"] - angle["low"] < 4  # expected within 3 degrees: 12 without a measurement
    assert taper["value"] == pytest.approx(0.2, abs=0.03)  # the three pairs are no parabola
    assert data["deviation"]["held_out_after"]["rms_db"] < 0.2 * data["deviation"]["held_out_before"]["rms_db"]
    assert data["of"]["held_out_deg"] == [15.0, 30.0, 45.0, 60.0, 75.0]
    (measured / "next.toml").write_text(DESIGN + 'calibrated = "found/calibrated.toml"\n')
    driver = read_design("next.toml").waveguide.driver
    assert driver.exit_half_angle / DEGREE == pytest.approx(angle["value"], abs=1e-5)  # six digits
    assert driver.velocity(np.array([0.0]))[0] == pytest.approx(1 + taper["value"], abs=1e-3)


def test_table_holds_what_was_compared(capsys, measured):
    assert said(capsys, "calibrate design.toml measured --out found --fit angle --fit taper --quiet")[0] == 0
    lines = (measured / "found" / "calibration.csv").read_text().splitlines()
    rows = [line for line in lines if not line.startswith("#")]
    head, values = rows[0].split(","), np.array([[float(each) for each in row.split(",")] for row in rows[1:]])
    column = dict(zip(head, values.T, strict=True))
    assert column["measured_level_db"].min() > -20
    assert set(column["held_out"]) == {0.0, 1.0}
    data = tomllib.loads((measured / "found" / "calibrated.toml").read_text())
    mine = (column["held_out"] == 1) & (column["off_axis_deg"] > 0)
    weight = np.sin(column["off_axis_deg"] * DEGREE)[mine]
    rms = np.sqrt(np.average(column["after_deviation_db"][mine] ** 2, weights=weight))
    assert rms == pytest.approx(data["deviation"]["held_out_after"]["rms_db"], abs=1e-4)  # the table's decimals
    assert list(data["fitted"]) == [unknowns.ANGLE, unknowns.TAPER]


def test_fit_that_does_not_help_is_the_answer_no(capsys, measured, monkeypatch):
    monkeypatch.setattr(Calibration, "helps", property(lambda _: False))
    code, _, err = said(capsys, "calibrate design.toml measured --out found --fit angle --quiet")
    assert code == 1
    assert "warning: on the angles that the fit did not see the deviation grew" in err


def test_model_that_explains_nothing_is_the_answer_no_and_not_recommended(capsys, measured, monkeypatch):
    monkeypatch.setattr(Calibration, "explains", property(lambda _: False))
    code, out, err = said(capsys, "calibrate design.toml measured --out found --fit speed")
    assert code == 1
    assert "warning: the model does not explain the measurement" in err
    assert "Use it in" not in out


def test_other_mounting_is_a_warning(capsys, measured):
    (measured / "sphere.toml").write_text(DESIGN + ANALYSIS + '[mounting]\nkind = "sphere"\nradius_mm = 200\n')
    _, _, err = said(capsys, "calibrate sphere.toml measured --out found --fit angle --quiet")
    assert 'measured with mounting "baffle", and the design has "sphere"' in err


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("calibrate missing.toml measured --out o", "missing.toml: cannot be read"),
        ("calibrate design.toml nowhere --out o", "nowhere: is not there. Name a folder"),
        ("calibrate design.toml measured --out o --hold-out 1", "--hold-out 1: must be 2 to 100. Raise it"),
        ("calibrate design.toml measured --out o --frequencies 3", "--frequencies 3: must be 4 to 500. Raise it"),
        ("calibrate design.toml measured --out o --fit source", "cannot be fitted: the design drives with a given"),
        ("calibrate design.toml measured --out design.toml", "is a file, not a folder"),
    ],
)
def test_bad_input_writes_nothing(capsys, measured, line, message):
    code, _, err = said(capsys, f"{line} --quiet")
    assert (code, message in err) == (2, True), err
    assert not (measured / "o").exists()


def test_unknown_of_another_name_is_told_the_nearest(capsys, here):
    code, _, err = asked(capsys, "calibrate design.toml measured --out o --fit tapper")
    assert (code, "Did you mean taper?" in err) == (2, True)


def test_calibrated_driver_serves_designs_and_targets_and_tells_searches_apart(calibrated):
    design, target = read_design("design.toml"), read_target("target.toml")
    assert design.waveguide.driver == target.driver
    assert target.driver.velocity_profile == ((0.0, 1.1), (1.0, 0.9))
    first = request(target, target_text="same").identity
    write_driver(calibrated, "exit_half_angle_deg = 7\nvelocity_profile = [[0, 1.2], [1, 0.8]]")
    assert request(read_target("target.toml"), target_text="same").identity != first


@pytest.mark.parametrize(
    ("keys", "rest", "message"),
    [
        (None, "", 'calibrated = "known/calibrated.toml": is not there. Name the calibrated.toml'),
        ("", "", "is no calibrated driver, it lacks [fitted]"),
        ('calibrated = "other.toml"', "[fitted.a]\nvalue = 1\n", "leads on to another file. Remove it"),
        ("exit_half_angle_deg = 70", "[fitted.a]\nvalue = 1\n", "exit_half_angle_deg = 70: must be 0 to 60"),
        ("exit_half_angle_deg = x", "", "line 3: is not TOML"),
    ],
)
def test_wrong_calibrated_file_is_told_by_design_and_target(calibrated, keys, rest, message):
    if keys is None:
        (calibrated / "known" / "calibrated.toml").unlink()
    else:
        write_driver(calibrated, keys, rest)
    for read, path in ((read_design, "design.toml"), (read_target, "target.toml")):
        with pytest.raises(InputError) as found:
            read(path)
        assert message in str(found.value)


def test_what_contradicts_a_calibrated_driver_is_refused(calibrated):
    for old, new, message in (
        ("= 25.4", "= 36", "is of an exit of 25.4 mm: must be that of exit_diameter_mm = 36"),
        ("= 25.4", "= 25.4\nexit_half_angle_deg = 3", "calibrated and exit_half_angle_deg exclude each other"),
        ("= 25.4", "= 25.4\nvelocity_profile = [[0, 1], [1, 1]]", "calibrated and velocity_profile exclude each other"),
    ):
        (calibrated / "bad.toml").write_text((calibrated / "design.toml").read_text().replace(old, new))
        with pytest.raises(InputError, match=message):
            read_design("bad.toml")
    source = 'source = "pressure"\n'
    (calibrated / "bad.toml").write_text((calibrated / "design.toml").read_text() + source)
    assert read_design("bad.toml").waveguide.driver.source.kind == "pressure"
    write_driver(calibrated, source)
    with pytest.raises(InputError, match="holds a source, and source = "):
        read_design("bad.toml")
    write_driver(calibrated, "exit_half_angle_deg = 60")
    narrow = (calibrated / "target.toml").read_text().replace("[limits]", "[limits]\nthroat_angle_deg = [0, 20]")
    (calibrated / "target.toml").write_text(narrow.replace("[limits]", "[limits]\nthroat_angle_mismatch_deg = 10"))
    with pytest.raises(InputError, match="must reach from .driver. exit_half_angle_deg = 60"):
        read_target("target.toml")


def test_signed_angles_and_two_planes_of_a_rig_are_fitted(here):
    # A rig sees both sides and both planes of a round prototype; the model of it knows one.
    (here / "design.toml").write_text(DESIGN + ANALYSIS)
    design = read_design("design.toml")
    observation = replace(
        design.observation,
        frequency=np.geomspace(1000, 12000, 8),
        off_axis=np.linspace(-80, 80, 17) * DEGREE,
        plane=np.array([0.0, 0.5 * np.pi]),
        distance=2.0,
        symmetry="none",
    )
    known = unknowns_of(design.waveguide, Air())
    truth, air = applied(known, [6.0, 0.12, 343.2, 0.0, 0.0], design.waveguide, air=Air())
    heard = radiation.solver("screen", method="boundary_elements")(truth, observation, air)
    found = calibrate(heard, design.waveguide, radiation.solver("full"), unknowns=[known[1]])
    assert found.fitted[0].value == pytest.approx(0.12, abs=0.01)  # without noise, the solvers agree to 0.02 dB
    np.testing.assert_array_equal(found.held_out, found.held_out[::-1])
