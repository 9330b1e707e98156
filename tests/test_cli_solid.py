"""A waveguide in a cabinet that is an STL file: prepared, solved, exported, and what cannot be is refused."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

import solids
from commandline import said
from evenflare import metrics
from evenflare.directivity.folder import read_directivity

TEXT = """[waveguide]
family = "conical"
depth_mm = 20
wall_angle_deg = 40
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "cabinet"
solid_stl = "cad/wedge.stl"
waveguide_y_mm = 20
[analysis]
frequencies_hz = [250, 400, 630, 1000]
off_axis_step_deg = 10
"""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EVENFLARE_CACHE", str(tmp_path / "cache"))
    Path("cad").mkdir()
    solids.written(solids.wedge(120, 160, 100), Path("cad/wedge.stl"))
    Path("d.toml").write_text(TEXT)
    return tmp_path


@pytest.mark.slow
def test_goes_all_the_way(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, "cabinet d.toml --quiet")
    assert code == 0
    assert "120 x 160 x 100 mm (width, height, depth), 6 flat faces, the mouth 20 mm above the front's middle" in out
    assert "4 frequencies still, about" in out
    assert "MB of memory" in out
    assert "all is there" in said(capsys, "cabinet d.toml --quiet")[1]
    assert said(capsys, "solve d.toml --out solved --setting screen --quiet")[0] == 0
    seen = read_directivity(Path("solved")).directivity
    assert seen.observation.symmetry == "none"
    level = metrics.levels_re_on_axis(seen)
    # The back is aside: nothing is alike left and right.
    assert np.abs(level[:, 0] - level[:, 0, ::-1])[:, 1:].max() > 0.1
    assert Path("solved", "profile.png").is_file()
    compared = json.loads(Path("solved", "provenance.json").read_text())["agreement"]
    assert "--method boundary_elements asks for the judge" in compared["why"]
    code, out, _ = said(capsys, "export d.toml --out cut --quiet")
    assert code == 0
    (copy,) = Path("cut").glob("cabinet_*.stl")
    assert copy.name in out
    # The copy has the same contents: what is solved already serves.
    assert "all is there" in said(capsys, "cabinet cut/design.toml --quiet")[1]


@pytest.mark.usefixtures("unpainted")
def test_the_judge_solves_it_and_says_first_what_that_takes(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("d.toml").write_text(
        TEXT.replace("[250, 400, 630, 1000]", "[250, 300]").replace("step_deg = 10", "step_deg = 30")
    )
    code, _, error = said(capsys, "solve d.toml --out judged --method boundary_elements --setting estimate")
    assert code == 0
    assert re.search(r"Solving takes about \d+ s and \d+ MB of memory: \d+ unknowns at the highest frequency", error)
    provenance = json.loads(Path("judged", "provenance.json").read_text())
    assert provenance["method"] == "boundary_elements"
