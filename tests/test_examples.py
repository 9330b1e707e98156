"""The examples run as they stand, and say what an independent look confirms."""

from __future__ import annotations

import json
import re
import runpy
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from evenflare import metrics

EXAMPLES = Path(__file__).parent.parent / "examples"
BY_OTHERS = {"invented_readings.py", "invented_scan.py"}
"""The tutorial, which a test follows, runs these."""

pytestmark = pytest.mark.usefixtures("compiled")


@pytest.fixture(autouse=True)
def _beside_targets(tmp_path, monkeypatch):
    shutil.copytree(EXAMPLES.parent / "targets", tmp_path / "targets")
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def said(capsys, monkeypatch):
    """What an example prints."""

    def runner(name: str) -> str:
        monkeypatch.setattr(sys, "argv", [name])
        runpy.run_path(str(EXAMPLES / name), run_name="__main__")
        return capsys.readouterr().out

    return runner


def rows(text: str) -> np.ndarray:
    """Lines that hold nothing but numbers."""
    found = [line.split() for line in text.splitlines()]
    return np.array([line for line in found if all(re.fullmatch(r"-?[\d.]+|nan", word) for word in line)], dtype=float)


def test_every_example_is_run_here_or_by_the_tutorial():
    tested = set(re.findall(r'said\("(\w+\.py)"\)', Path(__file__).read_text(encoding="utf-8")))
    assert {path.name for path in EXAMPLES.glob("*.py")} == tested | BY_OTHERS
    assert [path.name for path in EXAMPLES.glob("*.ipynb")] == ["first_steps.ipynb"]


def test_index_of_a_design(said):
    table = rows(said("index_of_a_design.py"))
    assert table.shape == (16, 4)
    # A mouth in a baffle tends to a small source, 3.01 dB, and beams at the top.
    assert 3.0 < table[0, 1] < table[-1, 1]
    assert table[:, 3].max() < 0.1  # dB, the help's word for `full`


def test_parameter_study(said):
    angle, mouth, index, width = rows(said("parameter_study.py")).T
    assert np.array_equal(angle, np.arange(40, 53, 3))
    assert np.all(np.diff(mouth) > 0)
    # A wider wall opens the beam, and a wider beam has a smaller index.
    assert np.all(np.diff(width) > 0)
    assert np.all(np.diff(index) < 0)


def test_own_search(said):
    text = said("own_search.py")
    scores = [float(each) for each in re.findall(r"^step +\d+: ([\d.]+) dB", text, re.MULTILINE)]
    assert scores == sorted(scores, reverse=True)
    # It does search: more than a lucky step or two, by a good part of a decibel.
    assert len(scores) > 5
    assert scores[-1] < scores[0] - 0.3
    assert f"best of 120: {scores[-1]:.3f} dB" in text


def test_compare_two(said):
    methods, roundovers = (float(each) for each in re.findall(r": ([\d.]+) dB rms", said("compare_two.py")))
    # Two methods that share nothing but the wall agree within what `screen` promises; two shapes do not.
    assert methods < 0.1
    assert roundovers > 10 * methods


def test_export_points(said):
    text = said("export_points.py")
    lines = [line for line in Path("points.csv").read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    assert f"{len(lines) - 1} points from throat to mouth" in text
    # Nothing but the round throat bends a cone's wall about a ball: its radius over the cosine of the wall's angle.
    fits = 12.7 / np.cos(np.radians(42))
    assert f"radius of {fits:.1f} mm" in text


def test_notebook_runs_from_top_to_bottom_and_holds_no_output(capsys):
    notebook = json.loads((EXAMPLES / "first_steps.ipynb").read_text(encoding="utf-8"))
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert all(not cell["outputs"] and cell["execution_count"] is None for cell in cells)
    names: dict[str, object] = {}
    for cell in cells:
        exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
    assert "give or take" in capsys.readouterr().out
    directivity, index = names["directivity"], names["index"]
    assert np.array_equal(index, metrics.directivity_index(directivity))
    assert names["figure"].axes[0].lines[0].get_ydata() == pytest.approx(index)
