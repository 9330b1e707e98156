"""What to do next: by what was measured, in commands that can be typed."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenflare.cli.options import parser
from evenflare.commands.advice import Asked, after_score, after_search
from evenflare.objective import Score
from evenflare.studies.course import course, edges
from evenflare.studies.verdict import verdict
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Conical, Limits, Waveguide
from test_objective import piston, target_of

TARGET = target_of(20.0)  # no piston of 60 mm has that everywhere
MISSED = verdict(piston(target=TARGET), Score(3.0, {}, {"depth_mm": -1.0}), TARGET)
ASKED = Asked(Path("targets/my shelf.toml"), Path("runs/shelf"), 1200, seed=3, workers=2)
CONE = Waveguide(Conical(0.11, 40 * np.pi / 180))


def rows(scores, *, stage="screen", family="conical"):
    return [
        {"number": i, "stage": stage, "family": family, "score": each, "feasible": int(each is not None)}
        for i, each in enumerate(scores, start=1)
    ]


def test_course_is_measured_over_the_last_quarter():
    level = [1.0] * 300 + [0.8] * 100
    measured = course(rows(level))
    assert measured is not None
    assert (measured.setting, measured.gain, measured.best) == ("screen", pytest.approx(0.2), 0.8)
    assert measured.falling
    assert measured.words == (
        "The best score still fell by 0.200 dB over the last quarter of the candidates at screen: a longer search will"
        " probably pay"
    )
    flat = course(rows([1.0] * 100 + [0.8] * 300))
    assert flat is not None
    assert not flat.falling
    assert "fell by 0.000 dB over the last quarter of the candidates at screen, next to nothing" in flat.words


def test_course_takes_the_setting_that_still_gains_and_leaves_out_what_breaks_limits():
    screened = rows([1.0] * 400)
    full = rows([None] * 100 + [1.0] * 230 + [0.9] * 70, stage="full")
    measured = course([*screened, *full])
    assert measured is not None
    assert (measured.setting, round(measured.gain, 6)) == ("full", 0.1)
    late = course(rows([None] * 350 + [1.0] * 50))
    assert late is not None
    assert late.words.startswith("The first shape that keeps the limits came over the last quarter")


def test_a_short_course_says_nothing():
    assert course(rows(np.linspace(2, 1, 299).tolist())) is None
    assert course([]) is None


def test_edges_name_the_limits_that_a_shape_lies_at():
    limits = Limits(depth=(0.04, 0.11), mouth_diameter=(0.1, 0.5))
    (at,) = edges(CONE, limits)
    assert at.words == "depth, mm lies at the greatest allowed, 110"
    (at,) = edges(CONE, replace(limits, depth=(0.1099, 0.2)))
    assert (at.key, at.greatest, at.value) == ("depth_mm", False, pytest.approx(109.9))
    tight = replace(limits, depth=(0.04, 0.2), smallest_concave_radius=16.5 * MILLIMETRE)
    (at,) = edges(CONE, tight)  # around the throat: 12.7 mm over the cosine of 40 degrees is 16.58 mm
    assert at.key == "smallest_concave_radius_mm"


def steps(history, **others):
    arguments = {"stopped_by": "candidates", "history": history, "judged": True}
    return after_search(MISSED, CONE, TARGET, ASKED, **(arguments | others))


def test_a_search_that_still_falls_leads_to_a_longer_one():
    first = steps(rows([1.0] * 300 + [0.8] * 100))[0]
    assert "still fell by 0.200 dB" in first.words
    assert first.command == (
        "evenflare search 'targets/my shelf.toml' --out runs/shelf --candidates 2400 --seed 3 --workers 2"
    )


def test_a_flat_search_leads_to_another_start():
    first = steps(rows([0.8] * 400))[0]
    assert first.command == "evenflare search 'targets/my shelf.toml' --out runs/shelf_again --from runs/shelf --seed 4"


def test_a_short_search_leads_to_more():
    first = steps(rows([0.8] * 40), stopped_by="candidates")[0]
    assert first.words == "1200 candidates are too few to say what more would bring: ask for more"
    assert "--candidates 2400" in first.command


@pytest.mark.parametrize(("why", "words"), [("time", "time was up"), ("interrupted", "it was interrupted")])
def test_what_was_not_finished_goes_on(why, words):
    first = steps(rows([0.8] * 400), stopped_by=why)[0]
    assert words in first.words
    assert first.command.endswith("--out runs/shelf --candidates 1200 --seed 3 --workers 2")


def test_a_met_target_leads_to_the_workshop():
    met = replace(MISSED, readings=())
    found = after_search(met, CONE, TARGET, ASKED, stopped_by="candidates", history=rows([0.8] * 400), judged=True)
    assert [step.command for step in found] == [
        "evenflare export runs/shelf/best.toml --out runs/shelf/to_cut --process router"
    ]


def test_another_family_is_offered_as_a_design():
    history = [*rows([0.5] * 3, stage="full"), *rows([0.9, 0.7], stage="full", family="oblate_spheroidal")]
    (step,) = (step for step in steps(history) if step.command.startswith("evenflare pick"))
    assert step.command == "evenflare pick runs/shelf --number 2 --out runs/shelf/candidate_2.toml"


def commands():
    history = [*rows([0.5] * 400, stage="full"), *rows([0.9, 0.7], stage="full", family="oblate_spheroidal")]
    found = [*steps(history, judged=False), *steps(rows([1.0] * 300 + [0.8] * 100)), *steps([], stopped_by="time")]
    found += after_score(MISSED, CONE, Path("a design.toml"), Path("t.toml"))
    return sorted({step.command for step in found})


@pytest.mark.parametrize("command", commands())
def test_every_command_can_be_typed(command):
    words = shlex.split(command)
    assert parser().parse_args(words[1:]).command == words[1]


def test_the_command_for_more_begins_from_the_same_shapes():
    asked = replace(ASKED, starts=("mine.toml", "runs/other#17"))
    command = asked.command(candidates=3000)
    assert command.endswith("--from mine.toml --from 'runs/other#17'")
    assert [str(each) for each in parser().parse_args(shlex.split(command)[1:]).starts] == [
        "mine.toml",
        "runs/other#17",
    ]
