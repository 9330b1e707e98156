"""Stages of rising exactness: who goes on, how far they agree, one that is left out; and oblong shapes searched."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from cheap_search import OBLONG, disagreeing, hidden_target, oblong, oblong_solve, oblong_target, refusing, searched
from evenflare.cli import searching
from evenflare.search import Progress, history_rows
from evenflare.search.ladder import (
    ENOUGH,
    LEAST_AGREEMENT,
    RankAgreement,
    Staging,
    going_on,
    rank_agreement,
    ranks,
    stages,
)
from evenflare.search.progress import OBLONG_COST, Pace
from evenflare.search.worker import BROKEN_LIMIT, Job, Outcome, evaluate
from evenflare.waveguide import ParameterSpace

STAGES = ("estimate", "screen", "full")
TARGET = oblong_target(families=("conical", "free"), candidates=110)


def solved(value):
    return Outcome(value, True, {"index_db": value}, {"depth_mm": -1.0}, {}, "")


BROKEN = Outcome(None, False, {}, {"depth_mm": 2.0}, {}, "breaks depth_mm by 2")
REFUSED = Outcome(None, False, {}, {"depth_mm": -1.0}, {}, "beyond this stage's reach")
NO_SHAPE = Outcome(None, False, {}, {}, {}, "no such shape")


def test_better_half_of_a_population_goes_on():
    population = [solved(value) for value in (3.0, 1.0, 5.0, 2.0, 4.0)]
    assert going_on(population, whole=False) == [True, True, False, True, False]
    assert going_on(population, whole=True) == [True] * 5


def test_of_those_that_break_limits_none_goes_on_and_those_beyond_the_estimate_do():
    population = [BROKEN, solved(1.0), REFUSED, NO_SHAPE, solved(2.0)]
    assert going_on(population, whole=False) == [False, True, True, False, True]
    assert going_on(population, whole=True) == [False, True, True, False, True]


def test_those_left_behind_rank_behind_all_that_went_on_and_ahead_of_broken_limits():
    lower = [solved(1.0), solved(2.0), solved(2.5), solved(4.0), BROKEN, NO_SHAPE]
    upper = [solved(7.0), solved(6.0), None, None, None, None]
    assert ranks(lower, upper) == [7.0, 6.0, 7.5, 9.0, BROKEN.rank, NO_SHAPE.rank]
    assert BROKEN.rank > BROKEN_LIMIT
    # One that went on and was not solved there does not set those left behind back.
    assert ranks(lower[:3], [solved(7.0), REFUSED, None]) == [7.0, REFUSED.rank, 7.0 + 1.5]
    assert ranks(lower[:2], [None, REFUSED])[0] == 1.0, "nothing to stand behind"
    assert max(ranks([solved(1.0), solved(5000.0)], [solved(1.0), None])) == BROKEN_LIMIT


def test_agreement_is_taken_within_populations():
    alike, reversed_ = ((1.0, 10.0), (2.0, 20.0), (3.0, 30.0)), ((1.0, 3.0), (2.0, 2.0), (3.0, 1.0))
    assert rank_agreement([alike]) == pytest.approx(1.0)
    assert rank_agreement([reversed_]) == pytest.approx(-1.0)
    # One of three pairs the other way round: (2 - 1) / 3.
    assert rank_agreement([((1.0, 1.0), (2.0, 3.0), (3.0, 2.0))]) == pytest.approx(1 / 3)
    # All of the second are behind all of the first at both stages, which is no agreement within either.
    behind = tuple((low + 100, up + 100) for low, up in reversed_)
    assert rank_agreement([reversed_, behind]) == pytest.approx(-1.0)
    # Weighted by pairs: 3 of them at 1, 1 at -1.
    assert rank_agreement([alike, ((1.0, 2.0), (2.0, 1.0))]) == pytest.approx(0.5)
    assert rank_agreement([((1.0, 1.0),), ()]) is None
    assert rank_agreement([((1.0, 1.0), (1.0, 2.0))]) == 0.0, "scores that are all equal order nothing"


def staged(noise, populations=12, size=11):
    """A staging that has seen populations whose estimates are off by noise."""
    random, staging = np.random.default_rng(5), Staging("estimate", "screen")
    for count in range(populations):
        scores = random.random(size)
        upper = [solved(value) for value in scores]
        staging.compare([solved(value) for value in scores + noise * random.standard_normal(size)], upper)
        staging.review(size * (count + 1))
    return staging


def test_stage_that_disagrees_is_left_out_once_enough_were_compared_and_not_before():
    assert not staged(0.1).left_out
    wild = staged(10.0)
    assert wild.left_out
    # 11 more each time: the first count at which they are enough.
    assert staged(10.0, populations=-(-ENOUGH // 11)).agreement.left_out == 11 * -(-ENOUGH // 11)
    assert not staged(10.0, populations=ENOUGH // 11).left_out


def test_agreement_follows_the_latest_populations():
    staging = staged(0.0)
    assert staging.agreement.tau == pytest.approx(1.0)
    for _ in range(20):
        staging.compare([solved(float(value)) for value in range(11)], [solved(float(-value)) for value in range(11)])
    staging.review(500)
    assert staging.agreement.tau == pytest.approx(-1.0)
    assert staging.agreement.left_out == 500


def test_populations_are_judged_whole_until_enough_are_and_later_now_and_then():
    assert all(staged(0.1, populations=2).whole(population) for population in range(20))
    whole = [staged(0.1).whole(population) for population in range(20)]
    assert whole[:3] == [True, True, False]
    assert 2 <= sum(whole[2:]) <= 4


def test_agreement_in_words():
    assert RankAgreement("estimate", "screen", None, 0).words == ""
    assert RankAgreement("estimate", "screen", 0.712, 60).words == (
        "estimate and screen rank alike: Kendall's tau 0.71 over 60 candidates judged at both"
    )
    assert RankAgreement("estimate", "screen", 0.1, 60, 80).words == (
        "estimate and screen rank too differently (Kendall's tau 0.10 over 60 candidates judged at both, less than"
        f" {LEAST_AGREEMENT:g}): estimate was left out after candidate 80, later ones were judged at screen"
    )
    assert "a better one may have been left behind at screen" in RankAgreement("screen", "full", 0.1, 60).words
    assert RankAgreement("screen", "full", 0.9, 6).words.endswith(
        "judged at both, too few to say whether they rank alike"
    )


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A search of oblong shapes whose estimate agrees: result, history, and every progress."""
    folder, seen = tmp_path_factory.mktemp("oblong"), []
    found = searched(folder, TARGET, solver_factory=oblong, progress=seen.append)
    return found, list(history_rows(folder)), seen


def judged_at(rows, stage):
    return {row["number"]: row for row in rows if row["stage"] == stage}


def test_oblong_candidates_have_one_number_and_a_row_for_each_stage(run):
    result, rows, _ = run
    assert stages(TARGET) == STAGES
    assert stages(hidden_target()) == STAGES[1:]
    keys = [(row["number"], STAGES.index(row["stage"])) for row in rows]
    assert keys == sorted(set(keys)), "in order, none twice"
    assert sorted({number for number, _ in keys}) == list(range(1, 111))
    assert result.asked == 110
    estimated, screened, full = (judged_at(rows, stage) for stage in STAGES)
    assert set(screened) < set(estimated)
    assert len(estimated) == 99  # the others are kept for polishing
    assert len(screened) < 95, "the first populations are judged whole, of others the better half"
    assert set(full) & set(estimated) == set(full) & set(screened)
    parameters = {name for name in rows[0] if name.endswith(("_mm", "_deg", "_per_m", "_exponent"))}
    for number in screened:
        assert all(screened[number][name] == estimated[number][name] for name in parameters)


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


def test_stages_and_their_agreement_are_reported(run):
    result, _, seen = run
    estimated, screened = result.agreements
    assert (estimated.lower, estimated.upper) == ("estimate", "screen")
    assert (screened.lower, screened.upper) == ("screen", "full")
    assert estimated.tau > 0.8, "one width is off by 2 %, alike for all"
    assert screened.tau == pytest.approx(1.0), "the same invented solver"
    assert estimated.left_out is screened.left_out is None
    assert seen[-1].done == seen[-1].total == 110
    assert set(seen[-1].judged) == set(STAGES)
    assert seen[-1].agreement == estimated
    assert seen[0].agreement.tau is None


def test_history_of_stages_is_the_same_with_two_workers(run, tmp_path):
    result = searched(tmp_path, TARGET, solver_factory=oblong, workers=2)
    assert list(history_rows(tmp_path)) == run[1]
    assert result == run[0]


@pytest.mark.parametrize("moment", [5, 17, 60, 130])
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


def test_stage_that_disagrees_is_left_out_for_good_and_the_result_says_so(tmp_path):
    target, seen = oblong_target(families=("conical",), candidates=80), []
    result = searched(tmp_path, target, solver_factory=disagreeing, progress=seen.append)
    rows = list(history_rows(tmp_path))
    last = result.agreements[0].left_out
    assert last is not None
    assert ENOUGH <= last < 60
    assert max(judged_at(rows, "estimate")) == last
    descended = set(range(last + 1, 73))  # 8 are kept for polishing
    assert descended <= set(judged_at(rows, "screen"))
    assert re.search(rf"rank too differently .*: estimate was left out after candidate {last}", words_of(result))
    assert seen[-1].done == seen[-1].total
    assert {each.stage for each in seen if max(each.judged.values()) < 20} == {"published families"}
    assert "published families, without estimates" in {each.stage for each in seen}
    searched(tmp_path / "two", target, solver_factory=disagreeing, workers=2)
    assert list(history_rows(tmp_path / "two")) == rows


def words_of(result):
    return " ".join(agreement.words for agreement in result.agreements)


def test_shape_beyond_the_estimate_is_judged_at_the_next_stage(tmp_path):
    target = oblong_target(families=("conical",), candidates=20)
    result = searched(tmp_path, target, solver_factory=only_above)
    rows = list(history_rows(tmp_path))
    assert set(judged_at(rows, "estimate")) == set(judged_at(rows, "screen"))
    assert {row["reason"] for row in judged_at(rows, "estimate").values()} == {"beyond this solver's reach"}
    assert result.best.setting == "full"
    assert result.agreements[0].words == ""


def only_above(setting):
    return refusing(setting) if setting == "estimate" else oblong_solve


def test_limits_that_are_broken_are_told_at_the_first_stage_only(tmp_path):
    limits = replace(OBLONG, smallest_concave_radius=0.05)
    target = replace(oblong_target(families=("conical",), candidates=20), limits=limits)
    result = searched(tmp_path, target, solver_factory=refusing)
    rows = list(history_rows(tmp_path))
    assert {row["stage"] for row in rows} == {"estimate"}
    assert len(rows) == 18
    assert result.why.endswith("; most often broken is smallest_concave_radius_mm, by 18 of 18")


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
        pace.note("estimate")
    assert pace.left({"estimate": 10}) is None, "the first few say little"
    clock.now += 100.0  # between two batches nothing is waited for
    pace.resume()
    clock.now += 0.1
    pace.note("estimate")
    assert pace.left({"estimate": 10}) == pytest.approx(1.0)
    # Not timed yet: at screen twice an estimate, at full twenty times.
    assert pace.left({"screen": 10, "full": 10}) == pytest.approx(10 * 0.2 + 10 * 2.0)
    clock.now += 3.0
    pace.note("full")
    assert pace.left({"full": 10}) == pytest.approx(30.0)


def test_progress_names_counts_and_agreement_only_where_there_are_estimates(capsys):
    told = searching._Ticker(quiet=False)
    standing = Progress(12, 100, 1.5, 0.257, 4020.0, "free curve")
    told(standing)
    agreement = RankAgreement("estimate", "screen", 0.62, 44)
    told(replace(standing, stage="free curve ", judged={"estimate": 8, "screen": 4}, agreement=agreement))
    told(replace(standing, stage="free curve", rate=45.3, agreement=replace(agreement, tau=None)))
    plain, staged, unknown = capsys.readouterr().err.splitlines()
    assert plain == "12/100 candidates, free curve: best 1.500 dB, 0.26/s, 1 h 7 min left"
    assert staged.endswith("left; 8 at estimate, 4 at screen; estimates agree 0.62 with screen")
    assert ", 45/s" in unknown
    assert unknown.endswith("; estimates not compared yet")
