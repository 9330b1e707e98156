"""Units drawn at random, against the covariance that they are asked to have and closed forms."""

import numpy as np
import pytest

from evenflare.units import FloatArray
from evenflare.waveguide import Conical, OblateSpheroidal, Oblong, Waveguide
from evenflare.waveguide.accuracy import Accuracy
from evenflare.waveguide.deviated import deviated
from evenflare.waveguide.scatter import kernel, units
from evenflare.waveguide.wall_places import SAMPLES, wall_places

ROUND = Waveguide(Conical(0.09, np.radians(40), 0.02))
OBLONG = Waveguide(Oblong(OblateSpheroidal(0.08, np.radians(50)), OblateSpheroidal(0.08, np.radians(35))))
SPHEROID = OblateSpheroidal(0.08, np.radians(50))
LENGTH = 0.03
MANY = 4000


def profile(waveguide: Waveguide) -> tuple[FloatArray, FloatArray]:
    """Arc from the throat and radius, m, of the places of a wall."""
    places = wall_places(waveguide)
    return places.share * places.length, places.radius


def test_covariance_along_the_wall_is_the_one_asked_for() -> None:
    places = np.concatenate([np.arange(0.0, 0.12, 0.5 * LENGTH), [0.1213]])
    rows = kernel(places, LENGTH)
    apart = places[:, None] - places
    # The kernel ends where it is exp(-16) = 1e-7.
    assert rows @ rows.T == pytest.approx(np.exp(-(apart**2) / (2.0 * LENGTH**2)), abs=1e-6)


def test_between_knots_variance_and_correlation_are_as_near_as_is_stated() -> None:
    """Of walls, by the place on them, away from the ends."""
    count = 4000
    accuracy = Accuracy(spread=1e-6, correlation_length=LENGTH)  # so small that the wall moves along its normal alone
    (piece,) = Waveguide(SPHEROID).meridian.pieces
    t = np.linspace(0.0, 1.0, 81)
    wall, place = piece.frame_at(t), np.interp(t, np.linspace(0.0, 1.0, SAMPLES), profile(Waveguide(SPHEROID))[0])
    off = []
    for each in units(accuracy, Waveguide(SPHEROID), seed=7, count=count):
        (moved,) = deviated(Waveguide(SPHEROID), each).meridian.pieces
        found = moved.frame_at(t)
        off.append((found.r - wall.r) * np.cos(wall.angle) - (found.z - wall.z) * np.sin(wall.angle))
    off = np.array(off) * 1e6
    # Five standard errors of a variance of 4000, 0.022 each, and of a correlation, 0.016, beside what is stated.
    assert off.var(axis=0) == pytest.approx(np.ones(t.size), abs=0.11 + 0.03)
    assert off.var(axis=0).mean() == pytest.approx(1.0, abs=0.06)  # five standard errors of some ten places
    correlation = np.corrcoef(off.T)
    apart = place[:, None] - place
    assert correlation == pytest.approx(np.exp(-(apart**2) / (2.0 * LENGTH**2)), abs=0.08 + 0.05)


def test_spread_scale_step_and_correlation_of_many_units() -> None:
    accuracy = Accuracy(
        bias=5e-5, spread=1e-4, correlation_length=LENGTH, scale_bias=0.002, scale_spread=0.001, throat_step=4e-5
    )
    found = units(accuracy, ROUND, seed=3, count=MANY)
    waves = np.array([each.waves for each in found])[:, :, 0]
    # Of 4000 units, a standard deviation is within 5 % at 4.5 standard errors of 1 / sqrt(8000), a mean at 3.2.
    assert waves.std(axis=0) == pytest.approx(np.full(waves.shape[1], 1e-4), rel=0.05)
    assert np.abs(waves.mean(axis=0)).max() < 5e-6
    apart = np.array(found[0].shares) * profile(ROUND)[0][-1]
    correlation = np.corrcoef(waves[:, 0], waves.T)[0, 1:]
    # Five standard errors of a correlation, at most 1 / sqrt(4000) each.
    assert correlation == pytest.approx(np.exp(-((apart / LENGTH) ** 2) / 2.0), abs=0.08)
    scale, steps = (np.array([getattr(each, name) for each in found]) for name in ("scale", "throat_step"))
    assert scale.mean() == pytest.approx(0.002, abs=8e-5)  # five standard errors
    assert scale.std() == pytest.approx(0.001, rel=0.06)  # five standard errors
    assert steps.std() == pytest.approx(4e-5, rel=0.06)  # five standard errors
    assert {each.offset for each in found} == {5e-5}


def test_a_round_wall_that_scatters_around_moves_by_its_mean_over_the_section() -> None:
    """Against the mean of exp(-chord^2 / (2 l^2)) over azimuth, by numbers."""
    found = units(Accuracy(spread=1e-4, correlation_length=LENGTH, around="independent"), ROUND, seed=4, count=MANY)
    arc, radius = profile(ROUND)
    at = np.interp(np.array(found[0].shares) * arc[-1], arc, radius)
    azimuth = np.linspace(0.0, 2.0 * np.pi, 4001)[:-1]
    chord = 2.0 * at[:, None] * np.sin(0.5 * azimuth)
    wanted = 1e-4 * np.sqrt(np.exp(-(chord**2) / (2.0 * LENGTH**2)).mean(axis=1))
    spread = np.array([each.waves for each in found])[:, :, 0].std(axis=0)
    assert spread == pytest.approx(wanted, rel=0.06)  # five standard errors of 1 / sqrt(8000)
    assert wanted[-1] < 0.5 * wanted[0]  # so that a mouth's ripple averages out, a throat's does not


def test_of_an_oblong_wall_the_symmetric_part_is_the_mean_of_a_wall_and_its_mirror_images() -> None:
    """Variance by azimuth, against a quarter of the sum of the covariances with all four images."""
    found = units(Accuracy(spread=1e-4, correlation_length=LENGTH, around="independent"), OBLONG, seed=5, count=MANY)
    azimuth = np.array(found[0].azimuths)
    assert azimuth[0] == 0.0
    assert azimuth[-1] == pytest.approx(np.pi / 2)  # rounding
    arc, radius = profile(OBLONG)
    at = np.interp(np.array(found[0].shares) * arc[-1], arc, radius)
    images = np.array([0.0 * azimuth, 2.0 * azimuth, np.pi - 2.0 * azimuth, np.pi + 0.0 * azimuth])
    chord = 2.0 * at[:, None, None] * np.sin(0.5 * images)
    wanted = 1e-4 * np.sqrt(np.exp(-(chord**2) / (2.0 * LENGTH**2)).mean(axis=1))
    spread = np.array([each.waves for each in found]).std(axis=0)
    # Five standard errors of 1 / sqrt(8000), and orders left out: three thousandths of the variance.
    assert spread == pytest.approx(wanted, rel=0.065)


def test_units_are_the_same_however_many_and_go_on_as_the_shape_goes_on() -> None:
    accuracy = Accuracy(spread=1e-4, correlation_length=0.02, around="independent", scale_spread=1e-3, throat_step=1e-5)
    assert units(accuracy, ROUND, seed=1, count=2) == units(accuracy, ROUND, seed=1, count=5)[:2]
    assert units(accuracy, ROUND, seed=1, count=1) != units(accuracy, ROUND, seed=2, count=1)
    longer = Waveguide(Conical(0.09 + 1e-7, np.radians(40), 0.02))
    (one,), (other,) = (units(accuracy, each, seed=1, count=1) for each in (ROUND, longer))
    n = min(len(one.waves), len(other.waves)) - 1
    # A tenth of a micrometre moves the share of the section's mean by some 1e-6 of it.
    assert np.array(other.waves)[:n] == pytest.approx(np.array(one.waves)[:n], abs=1e-9)


def test_alike_all_round_is_one_wave_around_an_oblong_section() -> None:
    (found,) = units(Accuracy(spread=1e-4), OBLONG, seed=1, count=1)
    assert found.azimuths == (0.0,)


@pytest.mark.parametrize("beyond", [1e-9, 0.3, 0.5, 0.7, 1.0 - 1e-9])
def test_no_step_between_knots_is_so_short_that_it_is_a_bend(beyond: float) -> None:
    """By how far the arc goes beyond a knot of the lattice."""
    length = 3.0 * profile(ROUND)[0][-1] / (10.0 + beyond)
    (found,) = units(Accuracy(spread=1e-3, correlation_length=length), ROUND, seed=1, count=1)
    apart = np.diff(found.shares) * profile(ROUND)[0][-1] / length
    assert apart[:-1] == pytest.approx(1.0 / 3.0)  # rounding
    assert 0.16 < apart[-1] < 0.51  # half to one and a half times as far


def test_a_unit_is_a_wall() -> None:
    for each in units(Accuracy(bias=1e-4, spread=2e-4, correlation_length=0.01), ROUND, seed=1, count=3):
        assert deviated(ROUND, each).depth == pytest.approx(ROUND.depth, abs=1e-3)  # five standard deviations
