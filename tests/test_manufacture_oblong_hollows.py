"""Hollows of oblong walls that the finishing ball does not reach: how much stays, against elementary geometry and the
round wall's own closing; programs made over them and cut in software; planted errors; what is refused."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from evenflare.manufacture.milling.clearance import check_nose, within_reach
from evenflare.manufacture.milling.finishing_oblong import oblong_spiral
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.proof.proof import prove
from evenflare.manufacture.proof.rough_truth import prepared
from evenflare.manufacture.wall.closed import closed
from evenflare.manufacture.wall.oblong_closed import hollows_of, oblong_reached
from evenflare.manufacture.wall.offset import NoRoomError
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Oblong, Points, RoundedRectangle, Waveguide
from evenflare.waveguide.cloud import cloud
from oblongs import bent, cones
from programs_shared import process, sizes_of

BALL = 3 * MM
HOLLOW = bent(((6, 30), (18, 34)), ((6, 26), (18, 30)))
"""From a throat of 12.7 at z = 0; the wall turns by TURN toward the axis at z = 6."""
TURN = {0: np.arctan2(17.3, 6) - np.arctan2(4, 12), 90: np.arctan2(13.3, 6) - np.arctan2(4, 12)}
ASKED = process(scallop_height=40e-6, seat=dataclasses.replace(process().seat, diameter=0.0, bolts=0))


def thick(turn):
    """A ball on both sides of a corner: its middle lies R / cos(turn / 2) off it."""
    return BALL * (1.0 / np.cos(0.5 * turn) - 1.0)


def test_what_stays_in_a_corner_is_what_elementary_geometry_says():
    found = hollows_of(cloud(HOLLOW.surface), BALL)
    for azimuth, across in ((0, 1), (90, 0)):
        in_plane = np.abs(found.points[:, across]) < 1e-9
        # Distances from the cloud are met within a micrometre.
        assert found.thick[in_plane].max() == pytest.approx(thick(TURN[azimuth]), abs=1e-6)


def test_a_wall_of_one_meridian_is_closed_as_the_round_one_is():
    """A narrow bend, not a corner: of 2 mm, in a wall of 40 and 10 degrees."""
    turn = np.linspace(40, 10, 9) * DEGREE
    bend = [(10 + 2 * (np.sin(turn[0]) - np.sin(a)), 25 + 2 * (np.cos(a) - np.cos(turn[0]))) for a in turn]
    start = (0.0, bend[0][1] - 10 * np.tan(40 * DEGREE))
    end = (bend[-1][0] + 8, bend[-1][1] + 8 * np.tan(10 * DEGREE))
    shape = Points(tuple((z * MM, r * MM) for z, r in (start, *bend, end)), corner=8 * DEGREE)
    throat = start[1] * MM
    whole = Waveguide(shape, dataclasses.replace(HOLLOW.driver, exit_radius=throat))
    _, (round_stays,) = closed(whole.meridian, BALL)
    _, (stays,) = oblong_reached(dataclasses.replace(whole, shape=Oblong(shape, shape)), BALL)
    assert stays.thick == pytest.approx(round_stays.thick, abs=1.5e-6)
    # Between points of the cloud, 0.25 mm apart.
    assert (stays.first, stays.last) == pytest.approx((round_stays.first, round_stays.last), abs=0.25 * MM)


@pytest.fixture(scope="module")
def finished():
    return programs(HOLLOW, ASKED, sizes_of(HOLLOW)), within_reach(HOLLOW, ASKED)[0]


def proof_of(made, wall):
    return prove(
        wall,
        made,
        sizes=sizes_of(HOLLOW),
        tolerance=ASKED.tolerance,
        scallop_height=ASKED.scallop_height,
        grid=0.4 * MM,
        leaves=prepared(wall, ASKED),
    ).programs


def test_finishing_is_made_over_the_hollow_proved_and_says_what_stays(finished):
    found, wall = finished
    assert found.left_out == ()
    told = f"{1e3 * thick(TURN[0]):.3f} thick at 6 from the throat plane and azimuth 0 deg in each quarter"
    assert any(told in line for line in found.left)
    last = found.programs[-1]
    assert re.sub(r"\W+", " ", told) in re.sub(r"\W+", " ", gcode(last, ASKED, design_id="a", name="b"))
    for each in proof_of(found.programs, wall):
        assert each.accepted, each
        # Of the hollow's edge between points of the cloud, 0.25 mm apart: 0.125^2 / 2 R; and what distances are met by.
        assert each.gouge.size < 6e-6
    # Against the wall itself what stays is left over.
    drawn = proof_of(found.programs[-1:], HOLLOW)[-1]
    assert not drawn.accepted
    assert drawn.leftover.size > 0.9 * thick(TURN[0])


@pytest.mark.parametrize("off", [-0.3, 0.3])
def test_an_error_in_the_hollow_is_found(finished, off):
    found, wall = finished
    last = found.programs[-1]
    # Where the ball lies on both sides at azimuth 0: on the line that halves the corner at z = 6, r = 30.
    way = 0.5 * (np.arctan2(17.3, 6) + np.arctan2(4, 12))
    lies = BALL / np.cos(0.5 * TURN[0])
    place = [30 * MM - lies * np.cos(way), 0.0, (6 - 18) * MM + lies * np.sin(way) - BALL]
    # Turns before and after it lie on both sides there too: all of them are moved.
    near = np.linalg.norm(last.position - place, axis=1) < 1 * MM
    assert near.sum() > 5
    moved = last.position + np.where(near[:, None], [0.0, 0.0, off * MM], 0.0)
    wrong = proof_of([dataclasses.replace(last, position=moved)], wall)[-1]
    assert wrong.gouge.size > 0.1 * MM if off < 0.0 else not wrong.leftover_within


def test_where_rings_run_across_a_hollow_the_path_cuts_nowhere_and_touches_both_sides():
    """A section's corner of 2 mm at the mouth, narrower than the ball, from dense points of the wall."""
    surface = cones(depth=18 * MM, section=RoundedRectangle(2 * MM)).surface
    path = oblong_spiral(surface, radius=BALL, ridge=150e-6, chord=12e-6, clear=cloud(surface))
    fine = cloud(surface, step=0.15 * MM)
    corner = (np.abs(path[:, 0]) > 15 * MM) & (np.abs(path[:, 1]) > 9 * MM) & (path[:, 2] > 14 * MM)
    steps = np.linspace(0.0, 1.0, 5)[1:, None]
    near = np.flatnonzero(corner[1:] & corner[:-1])
    dense = (path[near][:, None] + steps * (path[near + 1] - path[near])[:, None]).reshape(-1, 3)
    away = fine.distance(dense)
    # Chords of the path cut no more than asked, and distances are met within 2 um on a bend of 2 mm.
    assert away.min() > BALL - 14e-6
    assert away.max() < BALL + 14e-6


def test_a_ball_that_leaves_too_much_is_refused_and_told_how_much():
    with pytest.raises(NoRoomError, match="concave corner") as refused:
        check_nose(HOLLOW, ASKED.tool("ball 6"), cloud(HOLLOW.surface))
    assert f"raise leave_at_most_mm to {np.ceil(1e5 * thick(TURN[0])) / 100:g}" in str(refused.value)


def test_a_process_that_leaves_nothing_has_the_wall_as_it_is():
    assert within_reach(HOLLOW, dataclasses.replace(ASKED, leave_at_most=0.0)) == (HOLLOW, ())
