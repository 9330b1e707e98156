"""`solve`, `score` and `search` by method: which one is taken, what is told, and what is written of both."""

from __future__ import annotations

import json

import pytest

from commandline import DESIGN, TARGET, asked, said
from design_texts import OBLONG
from evenflare import radiation
from evenflare.objective import score as scored
from evenflare.objective import search_observation
from evenflare.radiation import method_for
from evenflare.report.kit import canvas
from evenflare.search import factory_for, history_rows, run_search
from evenflare.studies.agreement import LARGEST_BOUND, RMS_BOUND
from evenflare.target.target import read_target
from evenflare.waveguide import Mounting, RolledShell

pytestmark = pytest.mark.usefixtures("compiled")

FEW = "[analysis]\nfrequencies_hz = [700, 1000, 2000, 4000]\n"
BODY = '[mounting]\nkind = "free_standing"\noutline = "round_cabinet"\ndiameter_mm = 300\ndepth_mm = 200\n'
SHELL = '[mounting]\nkind = "free_standing"\noutline = "rolled_shell"\nrim_radius_mm = 15\nback_diameter_mm = 120\n'
SHELL += "back_depth_mm = 40\n"
FREE = Mounting(body=RolledShell(0.02, 0.1, 0.05))


@pytest.fixture
def designs(here, monkeypatch):
    """Designs with few frequencies, and pictures that are made but not drawn: that takes most of the time."""
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    (here / "few.toml").write_text(DESIGN + FEW)
    (here / "free.toml").write_text(DESIGN + BODY + FEW)
    (here / "oblong.toml").write_text(OBLONG + FEW)
    return here


def record(folder) -> dict:
    return json.loads((folder / "out" / "provenance.json").read_text())


def test_march_solves_a_baffle_and_boundary_elements_agree(capsys, designs):
    code, out, err = said(capsys, "solve few.toml --out out --quiet")
    assert (code, err) == (0, "")
    assert "Method: march, valid from 700 Hz to 4 kHz\n" in out
    assert "Valid: the march from 700 Hz to 4 kHz, boundary elements from 700 Hz to 4 kHz\n" in out
    assert {"agreement.csv", "agreement.png", "cabinet_effect.csv"} <= {
        path.name for path in (designs / "out").iterdir()
    }
    found = record(designs)
    assert (found["method"], found["warnings"], found["agreement"]["within"]) == ("march", [], True)
    # Both are exact to some hundredths of a dB at these sizes.
    assert found["agreement"]["index_rms_db"] < 0.02
    assert (found["agreement"]["allowed_rms_db"], found["agreement"]["allowed_largest_db"]) == (
        RMS_BOUND,
        LARGEST_BOUND,
    )


def test_boundary_elements_solve_a_free_standing_body_and_the_march_disagrees(capsys, designs):
    code, out, err = said(capsys, "solve free.toml --out out --quiet")
    assert code == 0
    assert "Method: boundary elements, valid from 700 Hz to 4 kHz\n" in out
    assert "Valid: the march from 700 Hz to 4 kHz for the sphere it takes the body for," in out
    assert err.startswith(
        "warning: the two methods disagree: the index of the march less that of boundary elements is "
    )
    assert err.count("\n") == 1
    found = record(designs)
    assert found["method"] == "boundary_elements"
    assert found["agreement"]["within"] is False
    assert err == f"warning: {found['warnings'][0]}\n"


def test_march_by_name_on_a_free_standing_body_is_warned_of(capsys, designs):
    code, _, err = said(capsys, "solve free.toml --out out --method march --quiet")
    assert code == 0
    assert 'warning: free.toml [mounting] kind = "free_standing": the march takes the body for a sphere' in err
    assert "Leave --method out" in err
    assert record(designs)["method"] == "march"


def test_boundary_elements_by_name(capsys, designs):
    code, out, err = said(capsys, "solve few.toml --out out --method boundary_elements --setting screen --quiet")
    assert (code, err) == (0, "")
    assert "Method: boundary elements" in out
    found = record(designs)
    assert (found["method"], found["setting"], found["agreement"]["within"]) == ("boundary_elements", "screen", True)


def test_first_look_is_not_compared(capsys, designs):
    _, out, _ = said(capsys, "solve few.toml --out out --setting estimate --quiet")
    assert "Not compared: a first look is not worth comparing: solve at screen or full\n" in out
    assert record(designs)["agreement"] == {
        "within": None,
        "why": "a first look is not worth comparing: solve at screen or full",
    }
    assert not (designs / "out" / "agreement.csv").exists()


def test_only_the_march_serves_an_oblong_waveguide(capsys, designs):
    code, out, err = said(capsys, "solve oblong.toml --out out --method boundary_elements")
    assert (code, out) == (2, "")
    assert err.endswith(
        "oblong.toml: --method = boundary_elements: must be march for a waveguide that is not round, in a baffle."
        " Leave it out\n"
    )
    _, out, _ = said(capsys, "solve oblong.toml --out out --setting screen --quiet")
    assert "Not compared: only the march serves a waveguide that is not round" in out
    assert not (designs / "out" / "cabinet_effect.csv").exists()


def test_another_method_is_refused_with_the_nearest(capsys, designs):
    code, _, err = asked(capsys, "solve few.toml --out out --method boundary_element")
    assert code == 2
    assert "Did you mean boundary_elements?" in err


def test_method_follows_the_mounting():
    assert method_for(Mounting()) == method_for(Mounting(0.2)) == "march"
    assert method_for(FREE) == "boundary_elements"
    assert factory_for(Mounting()) is radiation.solver


def test_score_and_search_rank_a_free_standing_body_by_boundary_elements(capsys, here):
    text = TARGET.replace('["conical", "free"]', '["conical"]') + SHELL
    (here / "free.toml").write_text(text)
    target = read_target("free.toml")
    result = run_search(target, here / "run", target_text=text, candidates=10)
    assert result.best is not None
    assert result.best.setting == "full"
    seen = search_observation(target)

    def score_by(method: radiation.Method, setting: radiation.Setting) -> float:
        solve = radiation.solver(setting, method=method)
        return scored(solve(result.best.waveguide, seen, target.air), result.best.waveguide, target).value

    rows = [row for row in history_rows(here / "run") if row["number"] == result.best.number]
    by_stage = {row["stage"]: row["score"] for row in rows}
    assert by_stage["full"] == pytest.approx(score_by("boundary_elements", "full"), rel=1e-9)  # the same sums
    if "screen" in by_stage:
        assert by_stage["screen"] == pytest.approx(score_by("boundary_elements", "estimate"), rel=1e-9)
    # Continued, nothing is solved again.
    again = run_search(target, here / "run", target_text=text, candidates=10, progress=lambda _: pytest.fail("solved"))
    assert again == result
