"""What the page holds, without a browser: edited files, numbers that are pulled, answers as the library gives them."""

import json
import queue

import numpy as np
import pytest

from commandline import DESIGN, TARGET, said
from evenflare import radiation, read_design, read_target, score
from evenflare.design.file import design_of, design_toml
from evenflare.files import InputError
from evenflare.metrics import beamwidth, directivity_index
from evenflare.objective import search_observation
from evenflare.target.target import target_of
from evenflare.units import DEGREE
from evenflare.workbench import answers, sound, wishes
from evenflare.workbench.draft import EditedFile
from evenflare.workbench.knobs import handles, knobs, walls
from evenflare.workbench.opened import opened
from workbenches import OBLONG, PATIENCE

POINTS = """[waveguide]
points_mm = [[0, 12.7], [20, 22], [50, 60], [60, 90]]
[driver]
exit_diameter_mm = 25.4
"""
FREE = """[waveguide]
family = "free"
arc_length_mm = 120
throat_angle_deg = 10
curvature_per_m = [2, 8, 12]
[driver]
exit_diameter_mm = 25.4
"""
DEPTH = ("waveguide", "depth_mm")
OBLONG_DEPTH = "waveguide/horizontal/depth_mm"


@pytest.fixture
def cone(tmp_path):
    path = tmp_path / "cone.toml"
    path.write_text("# by hand\n" + DESIGN)
    return EditedFile(path, design_of)


def test_an_edit_keeps_comments_and_can_be_undone(cone):
    cone.edit({DEPTH: 85.5})
    assert cone.text.startswith("# by hand\n")
    assert "depth_mm = 85.5" in cone.text
    assert cone.value.waveguide.depth == pytest.approx(0.0855)
    assert not cone.saved
    cone.undo()
    assert cone.saved
    assert cone.value.waveguide.depth == pytest.approx(0.08)
    assert cone.can_redo
    cone.redo()
    assert "depth_mm = 85.5" in cone.text
    assert not cone.can_redo


def test_a_movement_is_one_step_to_undo(cone):
    for depth in (81.0, 82.0, 83.0):
        cone.edit({DEPTH: depth}, moving=True)
    cone.edit({DEPTH: 84.0})
    cone.edit({DEPTH: 90.0})
    cone.undo()
    assert "depth_mm = 84.0" in cone.text
    cone.undo()
    assert cone.saved


def test_what_is_at_fault_changes_nothing(cone):
    before = cone.text
    with pytest.raises(InputError, match="wall_angle_deg"):
        cone.edit({("waveguide", "wall_angle_deg"): 400.0})
    assert cone.text == before
    assert not cone.can_undo


def test_a_file_is_saved_whole_and_not_over_another_hand(cone):
    cone.edit({DEPTH: 85.0})
    cone.save()
    assert cone.saved
    assert read_design(cone.path).waveguide.depth == pytest.approx(0.085)
    cone.path.write_text(DESIGN)
    cone.edit({DEPTH: 86.0})
    with pytest.raises(InputError, match="changed by another program"):
        cone.save()
    assert cone.path.read_text() == DESIGN
    other = cone.path.with_name("other.toml")
    cone.save(other)
    assert read_design(other).waveguide.depth == pytest.approx(0.086)
    taken = cone.path.with_name("taken.toml")
    taken.write_text("mine")
    with pytest.raises(InputError, match="is there already"):
        cone.save(taken)
    assert taken.read_text() == "mine"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (DESIGN, {"waveguide/depth_mm": 80, "waveguide/wall_angle_deg": 42, "waveguide/roundover_radius_mm": 15}),
        (FREE, {"waveguide/curvature_per_m/1": 8, "waveguide/throat_angle_deg": 10}),
        (OBLONG, {"waveguide/vertical/coverage_deg": 56, "waveguide/section_exponent": 2.6, OBLONG_DEPTH: 90}),
        (POINTS, {"waveguide/points_mm/1/0": 20, "waveguide/points_mm/3/1": 90}),
    ],
    ids=["cone", "free", "oblong", "points"],
)
def test_numbers_of_a_design_can_be_pulled(tmp_path, text, wanted):
    path = tmp_path / "shape.toml"
    path.write_text(text)
    draft = EditedFile(path, design_of)
    known = {each.name: each for each in knobs(draft.tables())}
    for name, value in wanted.items():
        assert known[name].value == value
        assert known[name].low <= value <= known[name].high
    assert "waveguide/points_mm/0/0" not in known  # the exit holds the first point
    for each in known.values():
        draft.edit({each.place: each.value})
    assert design_toml(draft.value) == design_toml(read_design(path))


@pytest.mark.parametrize("text", [DESIGN, FREE, OBLONG, POINTS], ids=["cone", "free", "oblong", "points"])
def test_a_handle_goes_where_its_number_takes_it(tmp_path, text):
    path = tmp_path / "shape.toml"
    path.write_text(text)
    draft = EditedFile(path, design_of)
    known = knobs(draft.tables())
    found = handles(draft.tables(), path, draft.value, known)
    assert len({(*each.at, each.plane) for each in found}) == len(found)
    for handle in found:
        wall = walls(draft.value.waveguide)[handle.plane]
        # On the wall: what is drawn are 129 points a piece, up to 0.3 mm from their chords.
        assert np.min(np.hypot(*(wall - np.array(handle.at)).T)) < 2.0
        for name, (along, up) in handle.moves.items():
            knob = next(each for each in known if each.name == name)
            by = 0.01 * max(abs(knob.value), 1.0)
            draft.edit(dict.fromkeys((knob.place, *knob.also), knob.value + by))
            moved = walls(draft.value.waveguide)[handle.plane]
            goal = np.array(handle.at) + by * np.array([along, up])
            # It lies on the moved wall, to the second order of a hundredth, or half the distance of drawn points.
            assert np.min(np.hypot(*(moved - goal).T)) < 1.0
            assert np.hypot(along, up) > 0.0
            draft.undo()


def test_both_walls_of_an_oblong_waveguide_go_to_one_depth(tmp_path):
    path = tmp_path / "shape.toml"
    path.write_text(OBLONG)
    told = {}
    bench = opened(path, told.__setitem__)
    bench.handle({"do": "pull", "changes": {OBLONG_DEPTH: 85.0}})
    assert bench.design.value.waveguide.depth == pytest.approx(0.085)
    assert [each["label"] for each in told["shape"]["knobs"]].count("depth") == 1
    assert "horizontal" in {each["plane"] for each in told["shape"]["handles"]}


def test_a_wall_of_points_in_another_file_is_shown_and_says_why_it_cannot_be_pulled(tmp_path):
    (tmp_path / "wall.csv").write_text("z_mm,r_mm\n0,12.7\n20,22\n50,60\n60,90\n")
    path = tmp_path / "shape.toml"
    path.write_text('[waveguide]\nmeridian_csv = "wall.csv"\n[driver]\nexit_diameter_mm = 25.4\n')
    told = {}
    opened(path, told.__setitem__).tell_shape()
    assert told["shape"]["knobs"] == told["shape"]["handles"] == []
    assert "file of their own" in told["shape"]["note"]
    assert told["shape"]["walls"][""][-1] == [60.0, 90.0]


def test_curves_and_score_are_those_of_the_library(tmp_path):
    (tmp_path / "target.toml").write_text(TARGET)
    (tmp_path / "cone.toml").write_text(DESIGN)
    design, target = read_design(tmp_path / "cone.toml"), read_target(tmp_path / "target.toml")
    found = sound.solved(tmp_path / "cone.toml", design, target, "full")
    shown, judged = sound.curves(found), sound.judged(found, target, tmp_path / "cone.toml")
    solve = radiation.solver("full")
    own = score(solve(design.waveguide, search_observation(target), design.air), design.waveguide, target)
    # More frequencies in one go change steps of the march: far below what is shown.
    assert judged["score"] == pytest.approx(own.value, abs=2e-3)
    alone = sound.solved(tmp_path / "cone.toml", design, None, "full")
    there = radiation.solve(design)
    np.testing.assert_allclose(sound.curves(alone)["index"], directivity_index(there), atol=1e-4)  # four decimals
    width = beamwidth(there) / DEGREE
    given = np.array([np.nan if each is None else each for each in sound.curves(alone)["beamwidth"][""]])
    np.testing.assert_allclose(given, width, atol=1e-4)
    assert shown["frequency"][0] < 1500.0 < 4000.0 < shown["frequency"][-1]
    assert len(shown["map"]["level"][""]) == len(shown["map"]["angle"])
    json.dumps([shown, judged], allow_nan=False)  # plain values only


def test_a_target_says_at_once_what_contradicts_itself(tmp_path):
    path = tmp_path / "target.toml"
    path.write_text("# the wish\n" + TARGET)
    draft = EditedFile(path, target_of)
    assert [each.value for each in wishes.points(draft.tables())] == [7.0, 9.0, 0.5, 0.5]
    assert wishes.remarks(draft.value) == []
    most = np.interp(1500.0, *wishes.reach(draft.value).values())
    draft.edit({("wanted", "index_db", 0): float(most) + 1.0})
    assert any("at 1500 Hz" in each for each in wishes.remarks(draft.value))
    draft.save()
    assert path.read_text().startswith("# the wish\n")
    assert read_target(path).index_db.tolist() == [pytest.approx(most + 1.0), 9.0]


def test_what_can_be_opened_and_what_not(tmp_path):
    (tmp_path / "target.toml").write_text(TARGET)
    (tmp_path / "cone.toml").write_text(DESIGN)
    (tmp_path / "other.toml").write_text("[session]\nname = 1\n")
    told = []
    bench = opened(tmp_path / "target.toml", lambda kind, news: told.append((kind, news)))
    assert bench.design is not None  # a shape to begin from
    assert not bench.design.path.exists()  # nothing is written unasked
    assert opened(tmp_path / "cone.toml", told.append, target=tmp_path / "target.toml").target is not None
    for path, words in (("other.toml", "must be a design, a target"), ("", "holds no search"), ("none.toml", "none")):
        with pytest.raises(InputError, match=words):
            opened(tmp_path / path, told.append)


def test_the_command_says_what_is_wrong(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, _, err = said(capsys, "open nowhere.toml")
    assert code == 2
    assert "nowhere.toml" in err


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"do": "dance"}, "nothing that the page can ask for"),
        ({"do": "pull"}, "nothing to change"),
        ({"do": "pull", "changes": {"driver/exit_diameter_mm": 3}}, "nothing that can be pulled"),
        ({"do": "pull", "changes": {"waveguide/depth_mm": "deep"}}, "must be a number"),
        ({"do": "pull", "changes": {"waveguide/depth_mm": True}}, "must be a number"),
        ({"do": "pull", "changes": {"waveguide/depth_mm": float("nan")}}, "must be a number"),
        ({"do": "pull", "changes": {"waveguide/depth_mm": 1e6}}, "must be 5 to 1000"),
        ({"do": "save", "name": "../elsewhere"}, "must be a name of letters"),
        ({"do": "save", "name": "/etc/passwd"}, "must be a name of letters"),
        ({"do": "export", "process": "router", "folder": "a/b"}, "must be a name of letters"),
        ({"do": "export", "process": "../router", "folder": "a"}, "must be one of"),
        ({"do": "search", "folder": ".."}, "must be a name of letters"),
        ({"do": "search", "folder": "run", "minutes": -1}, "must be a number above 0"),
        ({"do": "pick", "number": "x"}, "must be a whole number"),
        ({"do": "front", "x": "depth_mm", "y": "score"}, "no run is open"),
        ({"do": "stop"}, "nothing runs"),
    ],
)
def test_what_a_browser_may_not_ask_for_is_refused(tmp_path, message, words):
    (tmp_path / "target.toml").write_text(TARGET)
    (tmp_path / "cone.toml").write_text(DESIGN)
    before = sorted(tmp_path.iterdir())
    bench = opened(tmp_path / "cone.toml", lambda kind, news: None, target=tmp_path / "target.toml")
    with pytest.raises(InputError, match=words):
        bench.handle(message)
    assert sorted(tmp_path.iterdir()) == before
    assert bench.design is not None
    assert bench.design.saved


def test_an_answer_that_takes_long_comes_first_without_its_error_and_is_then_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(answers, "PATIENT", 0.0)  # whatever takes any time at all
    (tmp_path / "cone.toml").write_text(DESIGN)
    told: queue.Queue = queue.Queue()
    asked = answers.Answers(lambda kind, news: told.put(news) if kind == "sound" else None)
    asked.start()
    path = tmp_path / "cone.toml"
    heard = []
    for _ in range(2):
        asked.ask(read_design(path), None, path=path, source=path, moving=False)
        heard.append(told.get(timeout=PATIENCE))  # the first is not known to take long
    heard.append(told.get(timeout=PATIENCE))
    asked.close()
    assert [each["number"] for each in heard] == [1, 2, 2]
    assert [each["curves"]["checked"] for each in heard] == [True, False, True]
    first, second = (each["curves"] for each in heard[1:])
    valid = np.array(second["valid"])
    np.testing.assert_array_equal(np.array(first["index"])[valid], np.array(second["index"])[valid])
