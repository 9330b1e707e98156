"""Settings of rising exactness: how far they agree; oblong shapes searched, and the time left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cheap_search import OBLONG, oblong, oblong_target, refusing, searched
from evenflare.cli import searching
from evenflare.search import Progress, history_rows
from evenflare.search.agreement import RankAgreement, rank_agreement
from evenflare.search.progress import OBLONG_COST, Pace
from evenflare.search.worker import Job, evaluate
from evenflare.waveguide import ParameterSpace

STAGES = ("screen", "full")
TARGET = oblong_target(families=("conical", "free"), candidates=110)


def test_agreement_of_two_settings():
    # By hand from Kendall's definition: pairs ordered alike less those that are not, over all.
    assert rank_agreement([(1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]) == pytest.approx(1.0)
    assert rank_agreement([(1.0, 3.0), (2.0, 2.0), (3.0, 1.0)]) == pytest.approx(-1.0)
    assert rank_agreement([(1.0, 1.0), (2.0, 3.0), (3.0, 2.0)]) == pytest.approx(1 / 3)
    assert rank_agreement([(1.0, 1.0)]) is None
    assert rank_agreement([(1.0, 1.0), (1.0, 2.0)]) == 0.0, "scores that are all equal order nothing"


def test_agreement_in_words():
    assert RankAgreement("screen", "full", None, 0).words == ""
    assert RankAgreement("screen", "full", 0.712, 60).words == (
        "screen and full rank alike: Kendall's tau 0.71 over 60 candidates judged at both"
    )
    assert "a better one may have been left behind at screen" in RankAgreement("screen", "full", 0.1, 60).words
    assert RankAgreement("screen", "full", 0.9, 6).words.endswith(
        "over 6 candidates judged at both, too few to say whether they rank alike"
    )


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A search of oblong shapes whose estimate agrees: result, history, and every progress."""
    folder, seen = tmp_path_factory.mktemp("oblong"), []
    found = searched(folder, TARGET, solver_factory=oblong, progress=seen.append)
    return found, list(history_rows(folder)), seen


def judged_at(rows, stage):
    return {row["number"]: row for row in rows if row["stage"] == stage}


def test_oblong_candidates_have_one_number_and_a_row_for_each_setting(run):
    result, rows, _ = run
    keys = [(row["number"], STAGES.index(row["stage"])) for row in rows]
    assert keys == sorted(set(keys)), "in order, none twice"
    assert sorted({number for number, _ in keys}) == list(range(1, 111))
    assert result.asked == 110
    screened, full = judged_at(rows, "screen"), judged_at(rows, "full")
    assert len(screened) > 100, "a few steps are judged at full only"
    parameters = {name for name in rows[0] if name.endswith(("_mm", "_deg", "_per_m", "_exponent"))}
    for number in set(screened) & set(full):
        assert all(screened[number][name] == full[number][name] for name in parameters)


def test_parameters_of_oblong_shapes_name_their_plane(run):
    _, rows, _ = run
    names = list(rows[0])
    for name in ("depth_mm", "mouth_width_mm", "mouth_height_mm", "section_exponent"):
        assert name in names
    for name in ("wall_angle_deg", "roundover_radius_mm", "arc_length_mm", "throat_angle_deg", "curvature_1_per_m"):
        assert {f"horizontal_{name}", f"vertical_{name}"} <= set(names)
    assert "mouth_diameter_mm" not in names
    assert not any(name.endswith("al_depth_mm") for name in names), "both planes have the one depth"
    vector = (0.3, 0.4, 0.2, 0.6, 0.0, 0.25)
    waveguide = ParameterSpace("conical", OBLONG).waveguide(np.array(vector))
    found = evaluate(TARGET, oblong, Job("conical", vector, "screen")).parameters
    assert found["mouth_width_mm"] == pytest.approx(1e3 * waveguide.mouth_width)
    assert found["mouth_height_mm"] == pytest.approx(1e3 * waveguide.mouth_height)
    assert found["vertical_wall_angle_deg"] == pytest.approx(np.degrees(waveguide.shape.vertical.wall_angle))
    assert found["section_exponent"] == pytest.approx(2.5)  # a quarter of the way from 2 to 4


def test_agreement_and_counts_are_reported(run):
    result, _, seen = run
    assert (result.agreement.lower, result.agreement.upper) == ("screen", "full")
    assert result.agreement.tau == pytest.approx(1.0), "the same invented solver"
    assert seen[-1].done == seen[-1].total == 110
    assert set(seen[-1].judged) == set(STAGES)


def test_history_of_stages_is_the_same_with_two_workers(run, tmp_path):
    result = searched(tmp_path, TARGET, solver_factory=oblong, workers=2)
    assert list(history_rows(tmp_path)) == run[1]
    assert result == run[0]


@pytest.mark.parametrize("moment", [5, 17, 60, 115])
def test_interrupted_stages_resume(run, tmp_path, moment):
    seen = []

    def progress(standing):
        seen.append(standing)
        if len(seen) == moment:
            raise KeyboardInterrupt

    result = searched(tmp_path, TARGET, solver_factory=oblong, progress=progress)
    assert result.stopped_by == "interrupted"
    assert result.feasible, "an estimate is better than nothing"
    kept = list(history_rows(tmp_path))
    judged = {(row["number"], row["stage"]): row["score"] for row in run[1]}
    assert all(judged[row["number"], row["stage"]] == row["score"] for row in kept)
    solved_now = []
    again = searched(tmp_path, TARGET, solver_factory=oblong, progress=solved_now.append)
    assert list(history_rows(tmp_path)) == run[1]
    assert again == run[0]
    assert len(solved_now) == len(run[1]) - len(kept), "nothing is solved twice"
    assert searched(tmp_path, TARGET, solver_factory=refusing) == run[0], "decisions come from outcomes alone"


def test_limits_that_are_broken_are_told_at_screen_only(tmp_path):
    limits = replace(OBLONG, smallest_concave_radius=0.05)
    target = replace(oblong_target(families=("conical",), candidates=20), limits=limits)
    result = searched(tmp_path, target, solver_factory=refusing)
    rows = list(history_rows(tmp_path))
    assert {row["stage"] for row in rows} == {"screen"}
    assert len(rows) == 20
    assert result.why.endswith("; most often broken is smallest_concave_radius_mm, by 20 of 20")


def test_time_left_counts_each_setting_at_its_own_pace(monkeypatch):
    class Clock:
        now = 0.0

        def monotonic(self):
            return self.now

    clock = Clock()
    monkeypatch.setattr("evenflare.search.progress.time", clock)
    pace = Pace(OBLONG_COST)
    for _ in range(19):
        clock.now += 0.1
        pace.note("screen")
    assert pace.left({"screen": 10}) is None, "the first few say little"
    clock.now += 100.0  # between two batches nothing is waited for
    pace.resume()
    clock.now += 0.1
    pace.note("screen")
    assert pace.left({"screen": 10}) == pytest.approx(1.0)
    # Not timed yet: at full ten times a screen.
    assert pace.left({"screen": 10, "full": 10}) == pytest.approx(10 * 0.1 + 10 * 1.0)
    clock.now += 3.0
    pace.note("full")
    assert pace.left({"full": 10}) == pytest.approx(30.0)


def test_progress_in_words(capsys):
    told = searching._Ticker(quiet=False)
    standing = Progress(12, 100, 1.5, 0.257, 4020.0, "searching")
    told(standing)
    told(replace(standing, stage="the best at full setting", rate=45.3))
    plain, fast = capsys.readouterr().err.splitlines()
    assert plain == "12/100 candidates, searching: best 1.500 dB, 0.26/s, 1 h 7 min left"
    assert ", 45/s" in fast
