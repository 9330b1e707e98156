"""Shapes that a search begins from: read, fitted to its families, refused where they are none of its shapes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cheap_search import LIMITS, cheap, hidden_target, oblong, oblong_target, searched
from commandline import asked, said
from evenflare.commands import searching
from evenflare.commands.starting import shape_at, starts_of
from evenflare.files import InputError
from evenflare.search import history_rows, run_search
from evenflare.search.request import request
from evenflare.search.starts import LARGEST_MISFIT, start_at
from evenflare.search.store import finished
from evenflare.search.worker import waveguide_of
from evenflare.target.copied import copy_target
from evenflare.target.target import read_target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Conical, Driver, Free, Oblong, ParameterSpace, Points, Waveguide
from evenflare.waveguide.likeness import along, apart, farthest, walls

WALL = ((0, 12.7), (20, 19.5), (40, 33.8), (60, 57.9), (70, 75.0), (76, 88.5), (79, 98.0))
"""mm; invented."""
CSV = "z_mm,r_mm\n" + "".join(f"{z},{r}\n" for z, r in WALL)
CONE = Waveguide(Conical(0.09, 42 * DEGREE, 0.01))


def points(rows=WALL, *, grown=1.0):
    return Waveguide(Points(tuple((z * MILLIMETRE, r * grown * MILLIMETRE) for z, r in rows)))


class TestDistance:
    def test_of_two_cones_is_that_of_plane_geometry(self):
        """At the share s of the arc both walls are at s of their ends, so the distance is s times that of the rims, and
        the mean of its square a third of the rims'. What is nearest to the outer rim is the inner one."""
        one, other = (walls(Waveguide(Conical(0.08, angle * DEGREE))) for angle in (40, 45))
        rims = 0.08 * (np.tan(45 * DEGREE) - np.tan(40 * DEGREE))
        # 129 places stand for the integral: the trapezium's error is below 1e-4 of it, that of a mean below 1 %.
        assert apart(one, other) == pytest.approx(rims / np.sqrt(3), rel=0.01)
        assert farthest(one, other) == pytest.approx(rims, rel=1e-9)
        assert farthest(one, one) == 0.0

    def test_places_are_evenly_apart(self):
        steps = np.hypot(*np.diff(along(points().meridian, 65), axis=0).T)
        assert steps.max() / steps.min() < 1.01  # chords of a bent wall


class TestFit:
    def test_a_shape_of_a_family_is_taken_over_exactly(self):
        for family, vector in (("conical", (0.4, 0.6, 0.3)), ("exponential", (0.2, 0.7, 0.1)), ("free", (0.3,) * 12)):
            target = hidden_target()
            start = start_at(target, waveguide_of(target, family, vector), name="mine")
            assert (start.family, start.notes) == (family, ())
            assert start.misfit <= 1e-7
            again = waveguide_of(target, start.family, start.vector)
            assert farthest(walls(again), walls(waveguide_of(target, family, vector))) < 2e-7  # six decimals of 80 mm

    def test_points_are_fitted_and_the_misfit_is_the_walls(self):
        target = hidden_target()
        start = start_at(target, points(), name="mine.csv")
        assert start.family == "free"
        assert start.misfit < 0.2 * MILLIMETRE
        member = waveguide_of(target, start.family, start.vector)
        assert start.misfit == pytest.approx(farthest(walls(member), walls(points())), rel=1e-9)
        assert "taken over within" in start.words

    def test_least_squares_find_what_points_do_not_say(self):
        """Of a cone with a roundover, as points: the first guess knows of no roundover."""
        target = hidden_target(families=("conical",))
        wall = Waveguide(Points(tuple(map(tuple, walls(CONE)[0].tolist()))))
        space = ParameterSpace("conical", target.limits, target.driver)
        guess = farthest(walls(space.waveguide(space.vector(wall))), walls(CONE))
        start = start_at(target, wall, name="cone.csv")
        assert start.misfit < 0.1 * guess
        shape = waveguide_of(target, start.family, start.vector).shape
        assert shape.roundover_radius == pytest.approx(0.01, abs=2e-4)  # of 129 places, few lie on it

    def test_what_the_limits_do_not_allow_is_put_on_them_and_told(self):
        target = hidden_target(limits=replace(LIMITS, depth=(0.06, 0.077)))
        start = start_at(target, points(), name="mine")
        assert start.notes == ("depth 79 mm is outside the limits and becomes 77 mm",)
        assert waveguide_of(target, start.family, start.vector).depth == pytest.approx(0.077)

    def test_a_start_that_breaks_a_limit_is_told(self):
        target = hidden_target(limits=replace(LIMITS, smallest_concave_radius=0.02))
        start = start_at(target, points(), name="mine")
        assert start.notes[0].startswith("breaks smallest_concave_radius_mm by 7.")
        assert start.notes[0].endswith("it is begun from, but cannot win as it is")

    def test_a_round_shape_is_stretched_to_an_oblong_mouth(self):
        start = start_at(oblong_target(), CONE, name="cone")
        width = 2000 * CONE.meridian.mouth_radius
        assert start.notes[0] == f"its round mouth of {width:.4g} mm is stretched to {width:.4g} x 160 mm first"
        member = waveguide_of(oblong_target(), start.family, start.vector)
        assert (1000 * member.mouth_width, 1000 * member.mouth_height) == pytest.approx((width, 160), abs=1)
        assert start.misfit < 1.5 * MILLIMETRE  # a stretched arc is no arc

    def test_an_oblong_shape_is_taken_over_exactly(self):
        target = oblong_target()
        start = start_at(target, waveguide_of(target, "conical", (0.3, 0.4, 0.2, 0.6, 0.1, 0.5)), name="mine")
        assert start.family == "conical"
        assert start.misfit <= 1e-6  # of the mouth's outline too, whose exponent has six decimals
        assert start.vector == pytest.approx((0.3, 0.4, 0.2, 0.6, 0.1, 0.5), abs=2e-5)


REFUSED = {
    "another exit": (
        Waveguide(Conical(0.09, 42 * DEGREE), Driver(17 * MILLIMETRE)),
        "--from mine: has a throat of 34 mm: must be that of target [driver] exit_diameter_mm = 25.4, to 1 mm. Begin"
        " from a shape for this driver, or correct the exit",
    ),
    "a mouth far outside": (
        Waveguide(Conical(0.14, 55 * DEGREE)),
        "--from mine: is no shape of this search: the nearest member of families conical, exponential, free within"
        " target [limits] is",
    ),
    "oblong": (
        Waveguide(Oblong(Conical(0.08, 42 * DEGREE), Conical(0.08, 30 * DEGREE))),
        "--from mine: is oblong, and target [limits] mouth_diameter_mm asks for round mouths: must be round. Give"
        " mouth_width_mm and mouth_height_mm instead, or the points of one plane",
    ),
}


@pytest.mark.parametrize(("waveguide", "message"), REFUSED.values(), ids=REFUSED)
def test_what_is_no_shape_of_the_search_is_refused(waveguide, message):
    with pytest.raises(InputError) as caught:
        start_at(hidden_target(), waveguide, name="mine")
    assert message in str(caught.value)


def test_the_refusal_of_a_misfit_says_bound_sizes_and_remedy():
    with pytest.raises(InputError) as caught:
        start_at(hidden_target(families=("conical",)), Waveguide(Conical(0.18, 40 * DEGREE)), name="mine")
    most = LARGEST_MISFIT * 1000 * Waveguide(Conical(0.18, 40 * DEGREE)).meridian.mouth_radius
    said_ = str(caught.value)
    assert "depth 180 mm is outside the limits and becomes 140 mm" in said_
    assert f"must be at most {most:.3g} mm, a twentieth of its mouth's radius. Widen [limits], add" in said_
    assert 'add "free" to [search] families, or leave it out' in said_


class TestSearch:
    def test_starts_are_judged_first_and_the_end_is_no_worse(self, tmp_path):
        target = hidden_target()
        best = searched(tmp_path / "a", target).best
        job = next(job for number, job, _ in finished(tmp_path / "a") if number == best.number)
        for name, like in (("design", None), ("run", job)):
            start = start_at(target, best.waveguide, name=name, like=like)
            again = searched(tmp_path / name, replace(target, candidates=30, seed=9), starts=[start])
            rows = [row for row in history_rows(tmp_path / name) if row["number"] == 1]
            assert {row["stage"] for row in rows} == {"screen", "full"}
            # A design has lost the scale of its bends, and with it the last digit or so.
            assert rows[-1]["score"] == (best.score.value if like else pytest.approx(best.score.value, abs=1e-9))
            assert again.best.score.value <= rows[-1]["score"]

    def test_starts_are_part_of_what_a_run_is(self, tmp_path):
        target = hidden_target()
        start = start_at(target, CONE, name="cone")
        searched(tmp_path, target, minutes=0, starts=[start])
        for others in ([], [replace(start, vector=(0.1, 0.1, 0.1))]):
            with pytest.raises(InputError, match=r"holds another search: --from = .* there"):
                searched(tmp_path, target, starts=others)
        assert searched(tmp_path, target, starts=[replace(start, name="renamed")]).feasible
        assert "--from" in request(target, target_text="", starts=[start]).identity.question
        assert "--from" not in request(target, target_text="").identity.question

    def test_an_oblong_search_begins_from_a_round_shape(self, tmp_path):
        target = oblong_target(candidates=10, families=("conical",))
        start = start_at(target, CONE, name="cone")
        found = searched(tmp_path, target, starts=[start], solver_factory=oblong)
        assert found.best.score.value <= min(
            outcome.rank for number, job, outcome in finished(tmp_path) if number == 1 and job.setting == "full"
        )


@pytest.fixture
def run(here):
    """A run on the cheap solver, with the copy of its target."""
    target = read_target("target.toml")
    run_search(target, Path("run"), target_text=Path("target.toml").read_text(), solver_factory=cheap)
    copy_target(Path("target.toml"), Path("run"))
    return Path("run")


class TestPaths:
    def test_a_design_points_a_run_and_a_candidate(self, here, run):
        target = read_target("target.toml")
        (here / "mine.csv").write_text(CSV)
        paths = [Path(each) for each in ("design.toml", "mine.csv", "run", "run#4", "run#4")]
        starts = starts_of(target, paths)
        assert [start.name for start in starts] == ["design.toml", "mine.csv", "run", "run#4"]
        rows = {number: job for number, job, _ in finished(run)}
        assert (starts[3].family, starts[3].vector) == rows[4][:2]
        best = min((o.rank, n) for n, job, o in finished(run) if o.feasible and job.setting == "full")[1]
        assert starts[2].vector == rows[best].vector
        assert max(starts[i].misfit for i in (0, 2, 3)) <= 1e-7

    def test_points_that_run_round_a_body_count_up_to_the_mouth(self, here):
        (here / "body.csv").write_text(CSV + "79,110\n60,120\n-20,120\n-20,0\n")
        (here / "wall.csv").write_text(CSV)
        one, other = (walls(shape_at(Path(name))[0]) for name in ("body.csv", "wall.csv"))
        assert farthest(one, other) < 1e-6  # the same points; their corner at the rim is found anew

    @pytest.mark.parametrize(
        ("path", "message"),
        [
            ("none.toml", "--from none.toml: is not there. Name a design (TOML), points (CSV), a run's folder, or a"),
            (".", "--from .: holds no search (candidates.sqlite is missing). Name a run's folder, or a design in it"),
            (
                "run#x",
                "--from run#x: must have a candidate's number after #, as in run#17. evenflare history run lists",
            ),
            ("run#999", "run: candidate 999: is not there, the run holds 1 to"),
            ("bad.csv", "bad.csv line 2 r_mm = -3: must be above 0, the axis"),
            ("target.toml", "target.toml [waveguide]: missing table"),
        ],
    )
    def test_what_is_no_shape_is_refused_by_name(self, run, path, message):
        Path("bad.csv").write_text("z_mm,r_mm\n0,-3\n10,20\n")
        with pytest.raises(InputError) as caught:
            starts_of(read_target("target.toml"), [Path(path)])
        assert message in str(caught.value)

    def test_every_fault_is_told_at_once(self, here, capsys):
        code, _, err = said(capsys, "search target.toml --out run --from a.csv --from b.toml")
        assert code == 2
        assert "--from a.csv: is not there" in err
        assert "--from b.toml: is not there" in err
        assert not (here / "run").exists()

    def test_command_tells_starts_and_what_is_assumed_before_it_begins(self, here, capsys, monkeypatch):
        def stop(*words, starts, **others):
            assert [each.name for each in starts] == ["design.toml"]
            raise InputError("far enough")

        monkeypatch.setattr(searching, "search_command", stop)
        monkeypatch.setattr("evenflare.cli.searching.compiled", lambda quiet: None)
        code, _, err = said(capsys, "search target.toml --out run --from design.toml")
        assert code == 2
        assert "From design.toml: taken over exactly as a member of family conical" in err
        assert "Assumed, since target.toml does not say: throat_angle_deg 0 to 60, of the wall at the throat;" in err

    def test_help_has_an_example(self, capsys):
        code, out, _ = asked(capsys, "search --help")
        assert code == 0
        assert "--from runs/shelf#17" in out


def test_free_walls_of_negative_curvature_are_no_exact_members():
    """The search's free curves never turn back toward the axis."""
    shape = Free(0.11, 0.5, (-3.0, 2.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0), 0.0)
    wanted = Waveguide(shape)
    start = start_at(hidden_target(limits=replace(LIMITS, depth=(0.05, 0.14))), wanted, name="mine")
    assert 1e-7 < start.misfit < 1.0 * MILLIMETRE
