"""How much of a cutter is in material: measured against closed forms for a step, stated by every program and kept."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from cutting import program, tool
from evenflare.files import InputError
from evenflare.manufacture import process as process_room
from evenflare.manufacture.milling.slender import SLENDER, share_of, slenderness
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof import prove
from evenflare.manufacture.proof.simulate import cut, stock
from evenflare.manufacture.proof.truth import Front, Truth, truth
from evenflare.manufacture.sheets.glue_up import glue_up_text
from evenflare.manufacture.sheets.lamination import laminate
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Waveguide
from programs_shared import departures, made, process, sizes_of

STEP = 0.1 * MM
SMALL = Waveguide(Conical(20 * MM, 40 * DEGREE, 4 * MM))


def step_of(height: float):
    """A block whose half x > 0 stands `height` m high, the other half at 0: all that a step is."""
    cells = round(12 * MM / STEP)
    heights = np.zeros((cells + 1, cells + 1))
    none = np.empty((4, 0))
    exact = Truth(STEP, heights, np.ones_like(heights), np.zeros_like(heights, dtype=bool), none, none, 0.0)
    piece = stock(exact)
    x = piece.origin[0] + STEP * np.arange(piece.heights.shape[0])
    return dataclasses.replace(piece, heights=np.where(x[:, None] > 0.0, height, 0.0) + 0.0 * piece.heights)


def across_the_step(height: float, count: int):
    """Along x at one height over the lower side, from outside the block, in `count` moves."""
    x = np.linspace(-20 * MM, 20 * MM, count + 1)
    return np.column_stack([x, 0.0 * x, np.full(x.size, height)])


def test_a_drill_is_not_eased_however_far_it_stands_out():
    """It is pushed along its axis and led by its hole: no force across bends it."""
    drill = next(each for each in read_process("router").tools if each.kind == "drill")
    assert slenderness(drill) > SLENDER
    assert share_of(drill) == 1.0


@pytest.mark.parametrize("count", [1, 7, 80])
@pytest.mark.parametrize("kind", ["flat", "bull", "ball"])
def test_a_cutter_across_a_step_is_in_material_by_the_steps_height_however_long_its_moves(kind, count):
    cutter = tool(kind, 6.0, 1.0 if kind == "bull" else None)
    piece, contacts = cut(step_of(5 * MM), program(across_the_step(0.0, count), cutter))
    engaged = piece.engaged
    # The tip runs at the step's foot: 5 mm. A ball's end is met at cells, up to half a diagonal off its axis, and on
    # short moves not all of it at once.
    least = 4.9 * MM if kind == "ball" and count == 80 else 4.999 * MM
    assert least <= engaged.depth <= 5 * MM + 1e-9
    assert engaged.what == "cutter"
    assert not contacts


@pytest.mark.parametrize("off", [0.5, 1.5, 2.5])
def test_a_ball_beside_a_step_is_in_material_from_where_its_side_meets_it(off):
    cutter = tool("ball", 6.0)
    y = np.array([-20 * MM, 20 * MM])
    path = np.column_stack([np.full(2, -off * MM), y, np.zeros(2)])
    engaged = cut(step_of(2 * MM), program(path, cutter))[0].engaged
    # The circle of radius 3 stands sqrt(9 - off^2) below its centre where the step begins; the next cell is up to a
    # step further in, where the ball is higher by that times its slope.
    begins = (3.0 - np.sqrt(9.0 - off**2)) * MM
    slope = (off + 0.1) / np.sqrt(9.0 - (off + 0.1) ** 2)
    assert 2 * MM - begins - slope * STEP - 1e-9 <= engaged.depth <= 2 * MM - begins + 1e-9


def test_what_is_rubbed_off_by_a_hairs_breadth_is_no_depth():
    flat = tool("flat", 6.0)
    beside = np.array([[-2.99 * MM, -20 * MM, -1 * MM], [-2.99 * MM, 20 * MM, -1 * MM]])
    engaged = cut(step_of(9 * MM), program(beside, flat))[0].engaged
    assert engaged.depth == pytest.approx(1 * MM)  # of the floor; the step is met by 0.01 mm


@pytest.mark.parametrize("deep", [0.4, 1.3])
def test_a_boring_bars_depth_of_cut_is_counted_across_its_feed(deep):
    cells, step = 4000, 0.01 * MM
    heights = np.zeros((cells, 1))
    none = np.empty((1, 0))
    shape = np.zeros((cells, 1), dtype=bool)
    exact = Truth(step, heights, np.ones_like(heights), shape, none, none, 0.0, "half_section")
    bored = stock(exact, bore=20 * MM)
    nose = 0.8 * MM
    radius = 20 * MM + deep * MM - nose
    path = np.array([[radius, 0.0, 3 * MM], [radius, 0.0, -10 * MM]])
    engaged = cut(bored, program(path, tool("turning", 1.6), kind="turning"))[0].engaged
    assert engaged.depth == pytest.approx(deep * MM, abs=step)  # the bore's edge lies between two cells


def test_every_program_states_its_engagement_and_keeps_it():
    for name in ("router", "lathe"):
        asked = process(name, scallop_height=40e-6)
        found = made(SMALL, asked)
        assert all(np.isfinite(each.greatest_engagement) for each in found.values())
        assert all(any("greatest engagement" in line for line in each.setup) for each in found.values())
        proof = prove(
            SMALL,
            list(found.values()),
            sizes=sizes_of(SMALL),
            tolerance=asked.tolerance,
            scallop_height=asked.scallop_height,
            seat=asked.seat,
            hole_depth=0.0 if "back" not in found else -found["back"].lowest - asked.seat.depth,
            bore=asked.tools[0].shank_diameter if name == "lathe" else 0.0,
            grid=0.4 * MM,
        )
        for each in proof.programs:
            assert 0.0 < each.engagement.size <= each.engagement_stated + 1e-9  # rounding of doubles
        assert proof.passed


def layers_as_glued(waveguide, angle, piece, sheet=18 * MM):
    """Of a cone: layers from the front, each cut straight through at its smallest opening, which is at its back."""
    x, y = (low + piece.truth.step * np.arange(n) for low, n in zip(piece.origin, piece.heights.shape, strict=True))
    away, heights = np.hypot(x[:, None], y), np.full(piece.heights.shape, -np.inf)
    for back in np.arange(-np.ceil(waveguide.depth / sheet - 1e-9) * sheet, -1e-9, sheet):
        opening = 12.7 * MM + max(0.0, waveguide.depth + back) * np.tan(angle)
        heights[away > opening] = back + sheet
    return dataclasses.replace(piece, heights=heights)


def test_layers_as_glued_are_roughed_and_then_finished_and_never_finished_alone():
    cone = Waveguide(Conical(36 * MM, 42 * DEGREE))
    asked = process(scallop_height=40e-6)
    found = made(cone, asked)
    exact = truth(cone, step=0.4 * MM, half_size=(60 * MM, 60 * MM), front=Front((60 * MM, 60 * MM)))
    glued = layers_as_glued(cone, 42 * DEGREE, stock(exact))
    roughed, contacts = cut(glued, found["roughing"])
    finished, more = cut(roughed, found["finishing"])
    assert not contacts
    assert not more
    # The layers' edges stand 18 mm high; roughing goes down by its levels all the same.
    assert roughed.engaged.depth <= found["roughing"].greatest_engagement + 1e-9
    assert finished.engaged.depth <= found["finishing"].greatest_engagement
    straight, _ = cut(glued, found["finishing"])
    # What was asked for once: a ball of 6 on the steps, in material by most of a layer.
    assert straight.engaged.depth > 0.7 * 18 * MM
    assert straight.engaged.depth > 2 * found["finishing"].greatest_engagement


@pytest.mark.parametrize("milled", [False, True])
def test_the_order_of_glue_up_says_roughing_and_then_finishing(milled):
    asked = read_process("sheets")
    asked = dataclasses.replace(asked, makes=("sheets", "mill_programs")) if milled else asked
    cone = Waveguide(Conical(36 * MM, 42 * DEGREE))
    text = glue_up_text(laminate(cone, sizes_of(cone), asked, chord_error=0.05 * MM), asked, ())
    (told,) = (line for line in text.splitlines() if line.startswith("6."))
    assert re.search("roughing.nc.*then.*finishing.nc" if milled else "roughing program and then a finishing", told)
    assert "never by finishing alone" in told
    assert "18.0000 mm" in told


def test_a_program_that_meets_more_than_it_states_fails_its_proof():
    asked = process(scallop_height=40e-6)
    found = made(SMALL, asked)
    told = {"sizes": sizes_of(SMALL), "tolerance": asked.tolerance, "scallop_height": asked.scallop_height}
    (alone,) = prove(SMALL, [found["finishing"]], grid=0.4 * MM, **told).programs
    # From the full block the ball cuts all that roughing would have.
    assert alone.engagement.size > 10 * MM
    assert not alone.engagement_kept
    assert not alone.accepted
    assert alone.gouge.size < asked.tolerance


@pytest.mark.parametrize(("reach", "share"), [(20.0, 1.0), (48.0, 1.0), (96.0, 0.5**1.5), (125.0, (48 / 125) ** 1.5)])
def test_a_slender_tool_bends_no_more_than_one_of_eight_diameters(reach, share):
    asked = process(tools={"ball 6": {"reach": reach * MM}, "bull 12": {"reach": 2 * reach * MM}})
    found = {name: each for name, each in made(SMALL, asked).items() if name != "back"}
    for each in found.values():
        cutting = each.feed[~each.rapid].max()
        assert cutting == pytest.approx(share * asked.machine.cutting_feed)
        told = [line for line in each.setup if "times its diameter" in line]
        assert len(told) == (share < 1.0)
    deepest = -20 * MM - 3 * MM
    levels = np.unique(found["roughing"].position[:, 2].round(9))
    assert np.diff(levels[levels <= -0.5 * share * asked.stepdown]).max() <= share * asked.stepdown + 1e-9
    assert levels[0] == pytest.approx(deepest)
    # Feed times depth is the force; the deflection of a cantilever F L^3 / (3 E I), I as D^4, is to its diameter as
    # F (L / D)^3: nowhere more than that of eight diameters (Euler-Bernoulli, any textbook).
    assert share**2 * (reach / 6.0) ** 3 <= 8.0**3 + 1e-6


def test_semi_finishing_leaves_even_stock_and_the_finishing_ball_meets_less():
    asked = process(scallop_height=40e-6, semi_finishing_tool="ball 6", semi_finishing_left=0.2 * MM)
    found = made(SMALL, asked)
    assert list(found)[:3] == ["roughing", "semi_finishing", "finishing"]
    centres = found["semi_finishing"].position + np.array([0.0, 0.0, 3 * MM + SMALL.depth])
    # Of a ball that is larger by 0.2 what leaves the wall is what 0.2 leaves off it; ridges of the smaller ball are
    # higher by the ratio of both, 3.2 to 3.
    left, gouge = departures(SMALL, centres, 3.2 * MM, azimuths=(1.0,))
    assert left <= 0.25 * 0.2 * MM
    assert gouge < 1e-6
    told = {"sizes": sizes_of(SMALL), "tolerance": asked.tolerance, "scallop_height": asked.scallop_height}
    with_it = prove(SMALL, [found[name] for name in ("roughing", "semi_finishing", "finishing")], grid=0.4 * MM, **told)
    without = prove(SMALL, [found[name] for name in ("roughing", "finishing")], grid=0.4 * MM, **told)
    assert with_it.passed
    assert with_it.programs[-1].engagement.size < 0.8 * without.programs[-1].engagement.size


def test_semi_finishing_that_leaves_more_than_roughing_is_refused(tmp_path):
    text = (Path(process_room.__file__).parent.parent / "processes" / "router.toml").read_text(encoding="utf-8")
    path = tmp_path / "more.toml"
    path.write_text('semi_finishing_tool = "ball 6"\nsemi_finishing_left_mm = 0.6\n' + text, encoding="utf-8")
    with pytest.raises(InputError, match=r"semi_finishing_left_mm = 0\.6: must be below stock_left_mm = 0\.5"):
        read_process(str(path))
    path.write_text('semi_finishing_tool = "bull 12"\n' + text, encoding="utf-8")
    with pytest.raises(InputError, match=r"semi_finishing_tool.*must be ball"):
        read_process(str(path))
