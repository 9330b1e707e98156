"""Where people may be, lobes that tilt and nulls, on two point sources whose interference is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.dsp.crossover import Crossing, Crossover, Setting, evenness, responses, trusted
from evenflare.dsp.crossover_search import Open, OpenCrossing, OpenSetting, search
from evenflare.dsp.drivers import Radiator
from evenflare.dsp.handover import vertical_lobes
from evenflare.dsp.people import cancellations, nearest_to_nothing, people
from evenflare.dsp.placing import Way, heard
from evenflare.dsp.slopes import Slope
from evenflare.units import DEGREE

C = 343.2
FREQUENCY = np.geomspace(300.0, 4800.0, 49)
FOURTH = Slope("linkwitz_riley", 4)
POINT = Radiator(lambda f, off, around: np.ones((f.size, off.size), dtype=complex), False, (0.0, np.inf), C)
CORNER = float(FREQUENCY[24])


def two(below: float):
    """Two point sources, one below the other, and people at 1.5 to 3 m."""
    ways = [Way("waveguide", POINT, ((0.0, 0.0, 0.0),)), Way("woofer", POINT, ((0.0, -below, 0.0),))]
    sounds = heard(ways, FREQUENCY)
    return sounds, people(sounds, heights=(-0.2, 0.2), distances=(1.5, 3.0))


def crossed(corner: float, **lower) -> Crossover:
    return Crossover((Crossing(FOURTH, corner),), (Setting(), Setting(**lower)))


def nulls_of(sounds, made: Crossover, heard_by):
    filters = responses(made, FREQUENCY)
    return cancellations(sounds, filters, trusted(sounds, filters), heard_by)


@pytest.mark.parametrize("gain", [0.0, -2.0])
def test_null_has_its_own_angle_and_depth_between_observed_angles(gain):
    # Nulls at sin t = c / (2 d f); there the sum is (1 - g) / (1 + g) of that on axis. Observed every 2.5 degrees.
    spacing = C / (2.0 * CORNER * np.sin(31.3 * DEGREE))
    sounds, _ = two(spacing)
    filters = responses(crossed(CORNER, gain=gain), FREQUENCY)
    known, _, nulls = vertical_lobes(sounds.summed(filters, valid=np.ones(49, dtype=bool)), CORNER)
    assert known == CORNER
    # The spline's error at kd = 6 is below 1e-4 of the axis: 0.002 degrees there, and -80 dB.
    assert sorted(angle / DEGREE for angle, _ in nulls) == pytest.approx([-31.3, 31.3], abs=0.02)
    g = 10 ** (gain / 20)
    for _, depth in nulls:
        if gain == 0.0:
            assert depth < -60.0
        else:
            assert depth == pytest.approx(20 * np.log10((1 - g) / (1 + g)), abs=0.05)


def test_least_size_between_neighbours_is_that_of_the_line():
    size, part = nearest_to_nothing(np.array([1.0 + 0.1j, -3.0 + 0.1j, -3.0 + 2.0j]))
    assert size == pytest.approx([0.1, np.hypot(3.0, 0.1)])
    assert part == pytest.approx([0.25, 0.0])


def test_an_inverted_way_gives_a_null_on_the_axis_at_the_crossing():
    # Between two known frequencies: fourth-order ways are in phase at all frequencies, alike at the corner alone.
    corner = CORNER * 2 ** (1 / 24)
    sounds, heard_by = two(0.15)
    axis = nulls_of(sounds, crossed(corner, inverted=True), heard_by)[0]
    assert axis.place is None
    assert axis.frequency == pytest.approx(corner, rel=2e-3)  # straight over a twelfth of an octave
    assert axis.depth < -40.0  # the nearest known frequency has -17 dB
    assert nulls_of(sounds, crossed(corner), heard_by) == ()


def test_a_null_where_people_may_be_is_found_at_its_place():
    # 0.2 m up at 1.5 m the lower source is farther by 49 mm: half a wave at 3.5 kHz, and none on the axis.
    sounds, _ = two(0.4)
    heard_by = people(sounds, heights=(0.0, 0.2), distances=(1.5, 1.5))
    apart = np.hypot(1.5, 0.6) - np.hypot(1.5, 0.2)
    corner = C / (2.0 * apart)
    (found,) = nulls_of(sounds, crossed(corner), heard_by)
    assert found.place == pytest.approx((0.0, 0.2, 1.5))
    assert found.frequency == pytest.approx(corner, rel=0.02)  # a twelfth of an octave is 6 %
    assert found.depth < -25.0  # the ways reach there 0.6 dB apart


def test_tilt_is_that_of_two_point_sources():
    # |1 + exp(-i (k d sin t + w tau))|^2 = 2 + 2 cos(k d sin t + w tau), the mean over 2.5 to 30 degrees.
    sounds, heard_by = two(0.15)
    late = 1e-4
    filters = np.array([np.ones(49), np.exp(-2j * np.pi * FREQUENCY * late)])
    w = 2 * np.pi * FREQUENCY[:, None]
    up = np.sin(np.arange(2.5, 30.1, 2.5) * DEGREE)
    sides = [np.mean(2 + 2 * np.cos(w / C * 0.15 * sign * up + w * late), axis=1) for sign in (1, -1)]
    wanted = np.sqrt(np.mean((10 * np.log10(sides[0] / sides[1])) ** 2))
    assert evenness(sounds, filters, heard_by=heard_by).tilt == pytest.approx(wanted, rel=1e-6)
    assert evenness(sounds, np.ones((2, 49)), heard_by=heard_by).tilt == pytest.approx(0.0, abs=1e-9)


def test_ways_in_one_place_are_even_wherever_people_are():
    sounds, heard_by = two(0.0)
    found = evenness(sounds, responses(crossed(CORNER), FREQUENCY), heard_by=heard_by)
    assert (found.places, found.score) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_search_with_people_keeps_the_lobe_level_where_power_alone_tilts_it():
    sounds, heard_by = two(0.25)
    choice = Open(
        (OpenCrossing((FOURTH,), (CORNER, CORNER)),),
        (OpenSetting(), OpenSetting(delay=(0.0, 4e-4), inverted=(False, True))),
    )
    middles = []
    for people_or_none in (None, heard_by):
        made = search(sounds, choice, power_share=0.5, heard_by=people_or_none).crossover
        total = sounds.summed(responses(made, FREQUENCY), valid=np.ones(49, dtype=bool))
        middles.append(abs(sum(vertical_lobes(total, CORNER)[1])) / 2 / DEGREE)
    assert middles[1] < 2.0 < 5.0 < middles[0]
