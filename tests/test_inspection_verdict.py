"""A part against zones: what is outside, inside or not decided, and by how much the scan is in doubt."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from evenflare.inspection import verdict
from evenflare.inspection.form import departure, form_of
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.traced import around_weights, mean_round, traced
from evenflare.waveguide.wall_zones import WallZone
from inspections import NOISE, invented

CONE = Waveguide(Conical(depth=0.08, wall_angle=42 * DEGREE, roundover_radius=0.015), Driver(0.0127, 0.0))
MM = 1e-3


def zones(*ends: float, limit: float) -> list[WallZone]:
    return [WallZone(a * MM, b * MM, limit * MM, limit * MM) for a, b in itertools.pairwise(ends)]


def held(wall: WallDeviation, limit: float, **more: float) -> verdict.Held:
    found = invented(CONE, wall, **more)
    return verdict.held_against(found, verdict.gathered(found, CONE), zones(0, 20, 60, 80, limit=limit))


def test_an_offset_beyond_its_zone_is_outside_and_one_within_is_inside():
    assert held(WallDeviation(offset=0.3 * MM), 0.2).state == "outside"
    assert held(WallDeviation(offset=0.3 * MM), 0.2).outside == pytest.approx(1.0)
    assert held(WallDeviation(offset=0.1 * MM), 0.2).state == "inside"
    assert held(WallDeviation(offset=-0.3 * MM), 0.2).worst.excess == pytest.approx(0.1 * MM, abs=2 * NOISE)


def test_a_limit_within_the_doubt_of_the_registration_is_not_decided():
    assert held(WallDeviation(offset=0.19 * MM), 0.2, pose_error=0.05 * MM).state == "undecided"
    assert held(WallDeviation(offset=0.19 * MM), 0.2, noise=1e-3 * MM, pose_error=1e-4 * MM).state == "inside"


def test_only_the_zone_with_the_bump_is_outside_and_its_place_is_named():
    shares = tuple(np.linspace(0.0, 1.0, 11))
    bump = WallDeviation(shares=shares, waves=tuple((0.3 * MM if i == 5 else 0.0,) for i in range(11)))
    found = held(bump, 0.2)
    assert [each.state for each in found.zones] == ["inside", "outside", "inside"]
    wall = CONE.meridian.dense
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    # A cell is a twenty-fourth of the arc, 4 mm.
    assert found.worst.z == pytest.approx(np.interp(0.5 * arc[-1], arc, wall.z), abs=4 * MM)


def test_strays_that_were_told_do_not_count_and_a_few_that_were_not_do_not_turn_the_verdict():
    found = invented(CONE, WallDeviation(), strays=0.1)
    cells = verdict.gathered(found, CONE)
    assert (cells.cell >= 0).sum() == found.used.sum() < 0.95 * found.used.size
    held_told = verdict.held_against(found, cells, zones(0, 80, limit=0.2))
    assert held_told.state == "inside"
    untold = replace(found, used=np.ones_like(found.used))
    held_untold = verdict.held_against(untold, verdict.gathered(untold, CONE), zones(0, 80, limit=0.2))
    assert held_untold.state == "inside"
    assert held_untold.outside == pytest.approx(0.1 * 4.8 / 5.0, abs=0.02)  # a tenth, 24 of 25 of it beyond 0.2 of 5 mm


def test_noise_of_the_points_is_told_from_their_scatter():
    cells = verdict.gathered(invented(CONE, WallDeviation(offset=0.1 * MM), noise=0.03 * MM), CONE)
    # Of 6000 points a median absolute deviation is known to 1.5 %.
    assert cells.noise == pytest.approx(0.03 * MM, rel=0.05)


def test_a_part_at_its_limit_is_called_outside_in_five_per_cent_at_most():
    wrong = sum(
        held(WallDeviation(offset=0.2 * MM), 0.2, seed=seed, count=3000, pose_error=0.0).state == "outside"
        for seed in range(40)
    )
    # Binomial with 5 %: more than 6 of 40 comes in 1.4 % of such series; the seeds are fixed.
    assert wrong <= 6


def test_of_few_probed_points_each_counts_by_itself():
    found = invented(CONE, WallDeviation(), count=60, noise=1e-3 * MM)
    off = found.off.copy()
    off[7] = 0.3 * MM
    probed = replace(found, off=off)
    judged = verdict.held_against(probed, verdict.gathered(probed, CONE), zones(0, 80, limit=0.2))
    assert (judged.state, judged.worst.z) == ("outside", pytest.approx(found.points[7, 2]))
    assert judged.outside == pytest.approx(1 / 60)


def test_pose_errors_are_those_of_points_moved():
    found = invented(CONE, WallDeviation(), count=200)
    doubt = verdict.pose_errors(replace(found, pose_error=np.array([0, 0, 1e-5, 0, 0, 0.0])), CONE, 0.0)
    wall = CONE.meridian.dense
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    angle = np.interp(found.share, arc / arc[-1], wall.angle)
    # A shift along the axis moves a wall at this angle by its sine along the normal.
    np.testing.assert_allclose(doubt, 1e-5 * np.sin(angle), atol=1e-12)  # rounding
    turned = verdict.pose_errors(replace(found, pose_error=np.array([0, 0, 0, 0, 0, 1e-3])), CONE, 0.0)
    # A turn about the axis leaves a wall of revolution where it is.
    np.testing.assert_array_equal(turned, 0.0)


def test_a_best_fit_errs_by_what_noise_leaves_in_six_unknowns():
    found = invented(CONE, WallDeviation(), count=3000, registered_to="best_fit", pose_error=5 * MM)
    square = verdict.pose_errors(found, CONE, 0.01 * MM) ** 2
    # The trace of a least-squares fit's hat matrix is its rank: five, since a turn about the axis changes nothing.
    assert square.sum() == pytest.approx(5 * (0.01 * MM) ** 2, rel=1e-9)  # rounding
    cells = verdict.gathered(found, CONE)
    assert verdict.held_against(found, cells, zones(0, 80, limit=0.05)).state == "inside"


def test_no_point_on_the_wall_is_refused():
    found = invented(CONE, WallDeviation(), count=10)
    with pytest.raises(ValueError, match="no point lies on the wall"):
        verdict.gathered(replace(found, used=np.zeros(10, dtype=bool)), CONE)


def test_form_of_a_bow_is_that_of_half_a_sine():
    straight = replace(CONE, shape=Conical(depth=0.08, wall_angle=42 * DEGREE))
    found = form_of(straight, invented(straight, WallDeviation(bow=1 * MM, scale=0.01, ovality=0.4 * MM), count=10))
    # Along a straight wall share is depth: mean 2 / pi, mean square 1 / 2 of half a sine; 200 steps of the mean.
    assert found.mean == pytest.approx(2 / np.pi * MM, rel=0.01)
    assert found.square == pytest.approx(0.5 * MM**2 + 0.5 * (0.4 * MM) ** 2, rel=0.01)
    assert found.alike
    assert not form_of(straight, invented(straight, WallDeviation(ovality=0.4 * MM), count=10)).alike
    assert np.abs(departure(straight, WallDeviation(ovality=1 * MM))[:, [0, -1]]).min() == pytest.approx(1 * MM)


def test_mean_of_a_cosine_series_is_its_first_coefficient():
    psi = np.linspace(0.0, 0.5 * np.pi, 5)
    weights = around_weights(tuple(psi))
    assert weights @ (0.3 + 0.2 * np.cos(2 * psi) - 0.1 * np.cos(6 * psi)) == pytest.approx(0.3)
    wall = WallDeviation(ovality=1e-4, shares=(0.0, 1.0), azimuths=(0.0, np.pi / 2), waves=((2e-4, 0.0), (0.0, 4e-4)))
    mean = mean_round(wall)
    assert (mean.is_round, mean.ovality) == (True, 0.0)
    np.testing.assert_allclose(mean.waves, [[1e-4], [2e-4]])


def test_a_traced_wall_is_the_wall_to_a_micrometre():
    wall = WallDeviation(
        offset=1e-4, bow=4e-4, scale=0.004, shares=(0.0, 0.3, 0.6, 1.0), waves=((0,), (1e-4,), (-1e-4,), (0,))
    )
    moved = deviated(CONE, wall)
    again = traced(moved).meridian.dense
    exact = moved.meridian.dense
    from shapely import LineString, points

    line = LineString(np.column_stack([exact.z, exact.r]))
    # Chords of the exact wall's own 129 points a piece leave it by less than 1e-6 m.
    assert float(line.distance(points(again.z, again.r)).max()) < 2e-6
    assert again.z[0] == 0.0
