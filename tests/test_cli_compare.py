"""compare, spread and solve --like as a user gives them. All data are invented."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from commandline import asked, contents, said
from comparing import cap, field, scattered, with_file
from evenflare.air import Air
from evenflare.commands import solving
from evenflare.commands.comparing import design_like
from evenflare.directivity.folder import Stored, read_directivity
from evenflare.directivity.sofa import write_sofa
from evenflare.report.kit import canvas
from evenflare.results import tables
from evenflare.units import DEGREE

FILES = {
    *("comparison.json", "deviation.csv", "report.html", "deviation_map_horizontal.png", "deviation_map_vertical.png"),
    *("deviation_over_frequency.png", "deviation_over_angle.png", "index_compared.png", "beamwidth_compared.png"),
    "level_and_power_compared.png",
}


def written(folder: str, directivity, *, mounting="sphere", **provenance) -> Path:
    path = Path(folder)
    made = {"mounting": mounting, **provenance}
    tables.write_solution(path, directivity, name=folder, design_id="", provenance=made)
    return path


def as_if_measured(folder: str, stored: Stored) -> None:
    """A prediction in the place of a rig's readings, of which no throat is known."""
    heard = replace(stored.directivity, throat_impedance=None, impedance_error=None, provenance={})
    made = {"origin": "measured", "mounting": stored.mounting}
    tables.write_solution(Path(folder), heard, name="played", design_id=stored.design_id, provenance=made)


@pytest.fixture
def undrawn(monkeypatch):
    """Pictures take most of the time, and other tests look at them."""
    monkeypatch.setattr(canvas, "png", lambda figure: b"not drawn")


@pytest.fixture
def both(here):
    """A measurement with noise and the model, in folders."""
    written("measured", scattered(cap(0.3), seed=1, level_db=0.2))
    written("predicted", cap(0.3))
    return here


def test_within_is_0_and_everything_is_written(capsys, both, unpainted):
    code, out, err = said(capsys, "compare measured predicted --out compared --tolerance-db 1")
    assert (code, err) == (0, "")
    assert out.startswith("Within a tolerance of 1 dB: 0.")
    assert "each re its own level on axis" in out
    assert set(contents(both / "compared")) == FILES
    held = json.loads((both / "compared" / "comparison.json").read_text())
    assert (held["within"], held["tolerance_db"]) == (True, 1.0)
    # Noise of 0.2 dB on both readings that a level is the difference of.
    assert held["rms_db"] == pytest.approx(0.2 * np.sqrt(2.0), rel=0.1)


def test_outside_is_1_and_without_a_tolerance_0(capsys, both, undrawn):
    code, out, _ = said(capsys, "compare measured predicted --out compared --tolerance-db 0.1")
    assert code == 1
    assert out.startswith("OUTSIDE a tolerance of 0.1 dB")
    assert json.loads((both / "compared" / "comparison.json").read_text())["within"] is False
    code, out, _ = said(capsys, "compare measured predicted --out compared --reference listening_window")
    assert code == 0
    assert out.startswith("No tolerance was given")
    assert json.loads((both / "compared" / "comparison.json").read_text())["reference"] == "listening_window"


def test_a_wrong_file_of_72_is_named(capsys, both, undrawn):
    written("measured", with_file(scattered(cap(0.3), seed=1, level_db=0.2), plane=0, angle_deg=-65.0, of_deg=10.0))
    code, out, err = said(capsys, "compare measured predicted --out compared --tolerance-db 1")
    assert code == 1
    assert "Worst cell +" in out
    assert ", horizontal at −65°\n" in out
    assert err.startswith("warning: horizontal at −65° deviates by ")


REFUSED = {
    "distance": (lambda: cap(0.3, distance=1.0), "unequal distance, 2 m and 1 m"),
    "reference": (
        lambda: replace(cap(0.3), observation=replace(cap(0.3).observation, reference_z=0.0)),
        "unequal reference point, 90 and 0 mm from the throat plane",
    ),
    "air": (
        lambda: replace(cap(0.3), speed_of_sound=341.0),
        "unequal air, 343.20 m/s with 1.2041 kg/m³ and 341.00 m/s",
    ),
    "frequency": (lambda: field(1.0, frequency=[10.0], off_axis=[0, 90, 180], plane=[0, 90]), "no frequency in common"),
}


@pytest.mark.parametrize(("make", "words"), REFUSED.values(), ids=REFUSED)
def test_what_was_seen_otherwise_is_refused_with_the_remedy(capsys, both, make, words):
    written("predicted", make())
    code, out, err = said(capsys, "compare measured predicted --out compared")
    assert (code, out) == (2, "")
    assert err.startswith(f"measured and predicted: {words}")
    assert err.endswith(
        ". Solve the design as it was measured: evenflare solve DESIGN.toml --like measured --out FOLDER\n"
    )
    assert not (both / "compared").exists()


def test_other_mountings_are_a_visible_warning(capsys, both, undrawn):
    written("predicted", cap(0.3), mounting="free_standing")
    code, _, err = said(capsys, "compare measured predicted --out compared --quiet")
    assert code == 0
    assert err.startswith('warning: the mountings differ: measured "sphere", predicted "free_standing"')
    assert "the mountings differ" in (both / "compared" / "report.html").read_text()


def test_aes69_files_compare_as_folders_do(capsys, both, undrawn):
    write_sofa(cap(0.3), both / "model.sofa", name="model", mounting="sphere")
    for predicted, out in (("predicted", "one"), ("model.sofa", "two")):
        assert said(capsys, f"compare measured {predicted} --out {out}")[0] == 0
    one, two = (json.loads((both / name / "comparison.json").read_text())["rms_db"] for name in ("one", "two"))
    assert one == pytest.approx(two, abs=1e-4)  # tables hold 1e-4 dB


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (
            "compare measured predicted --out measured",
            "--out measured: is a folder that is compared. Choose another one",
        ),
        ("compare measured nothing --out c", "nothing: is not there. Name a folder that evenflare solve"),
        ("compare measured predicted --out c --tolerance-db 0", "--tolerance-db 0: must be above 0 and below 100"),
        ("compare measured predicted --out c --tolerance-db nan", "--tolerance-db nan: must be above 0"),
        ("spread measured --out c", "measured: is the only unit: must be two at least. Name more folders"),
        ("spread measured measured --out c", "measured: is named twice. Name every unit once"),
        (
            "spread measured predicted --out c --reference-unit x",
            "--reference-unit x: must be one of the units, measured, predicted.",
        ),
        ("solve design.toml --like nothing --out c", "nothing: is not there. Name a folder that evenflare solve"),
    ],
)
def test_faults_are_told(capsys, both, line, words):
    code, out, err = said(capsys, line)
    assert (code, out) == (2, "")
    assert words in err
    assert not (both / "c").exists()


def seen_of_page(path: Path) -> str:
    """The page's words, without its pictures."""
    return re.sub(r"<[^>]*>", " ", path.read_text(encoding="utf-8"))


def test_two_predictions_are_spoken_of_as_predictions(capsys, here, undrawn):
    """Of two searches, whose waveguides are as deep as they came out: reference points differ, in the far field."""
    far = cap(0.3, distance=np.inf)
    louder = replace(cap(0.4, distance=np.inf), pressure=2.0 * cap(0.4).pressure)
    shifted = replace(louder, observation=replace(louder.observation, reference_z=0.06))
    written("desk/best", far, method="march")
    written("shelf", shifted, mounting="baffle", method="boundary_elements")
    code, out, err = said(capsys, "compare desk shelf --out compared")
    assert (code, err) == (
        0,
        'warning: the mountings differ: first "sphere", second "baffle". Part of the deviation is theirs\n',
    )
    assert "Deviation is the first's level less the second's, each re its own level on axis" in out
    assert re.search(r"Level: the first is \d\.\d\d dB quieter", out)
    assert "The first prediction is desk/best (desk/best), the second prediction shelf (shelf)" in out
    held = json.loads((here / "compared" / "comparison.json").read_text())
    assert (held["kind"], held["first"]["path"], held["second"]["path"]) == ("predictions", "desk/best", "shelf")
    assert held["reference_point_moved_mm"] == pytest.approx(30.0)
    page = seen_of_page(here / "compared" / "report.html")
    assert "The second prediction counts from a point 30 mm behind that of the first prediction" in page
    table = (here / "compared" / "deviation.csv").read_text()
    assert "\nfrequency_hz,azimuth_deg,off_axis_deg,first_db,second_db,deviation_db,valid,counted\n" in table
    for words in (out, page, table, json.dumps(held)):
        assert not re.search(r"measure[dm]|predicted", words)


def test_two_measurements_are_spoken_of_as_measurements(capsys, here, undrawn):
    written("morning", scattered(cap(0.3), seed=1, level_db=0.2), origin="measured", levels="absolute")
    written("evening", scattered(cap(0.3), seed=2, level_db=0.2, gain_db=-3.0), origin="measured", levels="relative")
    code, out, _ = said(capsys, "compare morning evening --out compared")
    assert code == 0
    assert "the sessions state no level" in out
    page = seen_of_page(here / "compared" / "report.html")
    for words in (out, page, (here / "compared" / "deviation.csv").read_text()):
        assert "predict" not in words
    assert "The first measurement, in morning, against the second measurement, in evening" in page
    written("evening", cap(0.3, distance=1.0), origin="measured")
    code, _, err = said(capsys, "compare morning evening --out again")
    assert code == 2
    assert "unequal distance, 2 m and 1 m. Measure both from the same place, or hold each against" in err


def test_a_measurement_comes_first_in_whatever_order_they_are_named(capsys, both, undrawn):
    written("measured", scattered(cap(0.3), seed=1, level_db=0.2), origin="measured")
    written("predicted", cap(0.3), method="march")
    assert said(capsys, "compare measured predicted --out one")[0] == 0
    code, out, _ = said(capsys, "compare predicted measured --out other")
    assert code == 0
    assert "The measurement is measured (measured), the prediction predicted (predicted)" in out
    one, other = (json.loads((both / name / "comparison.json").read_text()) for name in ("one", "other"))
    assert one == other


def test_predictions_at_a_distance_are_refused_from_other_points(capsys, here):
    near = cap(0.3)
    written("one", near, method="march")
    written("other", replace(near, observation=replace(near.observation, reference_z=0.0)), method="march")
    code, _, err = said(capsys, "compare one other --out compared")
    assert code == 2
    assert err == (
        "one and other: unequal reference point, 90 and 0 mm from the throat plane, which at a finite distance sees"
        " other directions. Solve the second design as the first was: evenflare solve DESIGN.toml --like one --out"
        " FOLDER\n"
    )


def test_spread_of_units(capsys, both, undrawn):
    written("third", scattered(cap(0.3), seed=2, level_db=0.2, gain_db=1.0))
    code, out, err = said(capsys, "spread measured predicted third --reference-unit predicted --out between")
    assert (code, err) == (0, "")
    assert out.startswith("3 units scatter by 0.")
    assert "third less predicted (reference unit): 0." in out
    held = json.loads((both / "between" / "spread.json").read_text())
    assert [unit["name"] for unit in held["units"]] == ["measured", "predicted", "third"]
    assert held["reference_unit"] == "predicted"
    assert held["units"][2]["gain_db"] == pytest.approx(1.0, abs=0.1)  # noise of 0.2 dB at 24 frequencies
    assert set(contents(both / "between")) == {
        *("spread.json", "spread.csv", "report.html", "against_reference.png", "index_of_units.png"),
        *("spread_map_horizontal.png", "spread_map_vertical.png"),
    }
    (both / "morning").mkdir()
    written("morning/measured", cap(0.3))
    code, out, _ = said(capsys, "spread measured morning/measured --out between")
    assert code == 0
    assert "morning/measured less measured (reference unit)" in out
    written("third", cap(0.3, distance=1.0))
    code, _, err = said(capsys, "spread measured third --out again")
    assert code == 2
    assert "measured and third: unequal distance, 2 m and 1 m. Measure every unit from the same place\n" in err


def test_a_design_is_solved_as_it_was_measured(capsys, here, undrawn, compiled, monkeypatch):
    angles = np.arange(-170.0, 181.0, 10.0)
    air = Air(339.5, 1.23)
    more = {"frequency": [500.0, 1000.0, 4000.0], "plane": [0, 90], "distance": 1.5, "reference_z": 0.05, "air": air}
    written("measured", field(1.0, off_axis=angles, **more), mounting="free_standing")
    heard = []
    true = solving.solved
    monkeypatch.setattr(solving, "solved", lambda *asked: heard.append(true(*asked)) or heard[-1])
    code, _, err = said(capsys, "solve design.toml --like measured --setting estimate --out out")
    assert code == 0
    assert 'measured was measured with mounting "free_standing", and design.toml has [mounting] kind = "baffle"' in err
    sound = solving.heard(Path("design.toml"), design_like(Path("design.toml"), Path("measured")), "estimate")
    at = sound.directivity.observation
    assert at.frequency.tolist() == [500.0, 1000.0, 4000.0]
    assert at.off_axis / DEGREE == pytest.approx(angles)
    assert at.plane / DEGREE == pytest.approx([0.0, 90.0])
    assert (at.distance, at.reference_z, at.symmetry) == (1.5, pytest.approx(0.05), "round")
    assert (sound.directivity.speed_of_sound, sound.directivity.density) == (339.5, 1.23)
    assert heard[0].speed_of_sound == 339.5
    assert np.allclose(sound.directivity.pressure[:, 0], sound.directivity.pressure[:, 1])


def test_a_measurement_without_the_axis_cannot_be_solved_like(capsys, here, plain):
    folder = written("measured", field(1.0, off_axis=[0, 90], plane=[0]))
    text = (folder / "directivity.csv").read_text().replace("1000,0,0,", "1000,0,5,")
    (folder / "directivity.csv").write_text(text)
    code, _, err = said(capsys, "solve design.toml --like measured --out out")
    assert code == 2
    assert err.endswith("measured: holds no angle 0. Measure on axis too: levels count from there\n")


@pytest.mark.slow
def test_from_a_measurement_to_a_verdict(capsys, here, undrawn, compiled):
    """The prototype is played by the other method, which shares nothing with the march but the wall."""
    design = (here / "design.toml").read_text()
    analysis = "[analysis]\nfrequencies_hz = [700, 1400, 2800, 5600]\noff_axis_step_deg = 5\ndistance_m = 2\n"
    (here / "rig.toml").write_text(design + analysis)
    assert said(capsys, "solve rig.toml --method boundary_elements --setting screen --out played")[0] == 0
    as_if_measured("measured", read_directivity(here / "played"))
    assert said(capsys, "solve design.toml --like measured --out predicted")[0] == 0
    # Both methods agree to 0.1 dB above -25 dB on such a cone.
    code, _, err = said(capsys, "compare measured predicted --out compared --tolerance-db 0.1")
    assert (code, err) == (0, "")
    (here / "other.toml").write_text(design.replace("wall_angle_deg = 42", "wall_angle_deg = 34"))
    assert said(capsys, "solve other.toml --like measured --out predicted")[0] == 0
    code, _, err = said(capsys, "compare measured predicted --out compared --tolerance-db 0.1")
    assert code == 1
    assert "Check that they are the same waveguide" in err


def test_help_has_examples(capsys):
    for command, example in (("compare", "compare measured predicted"), ("spread", "spread unit_1 unit_2")):
        code, out, _ = asked(capsys, f"{command} --help")
        assert code == 0
        assert f"example: evenflare {example} " in out
