"""How loud a way can play, and which of several gives out first."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.dsp.alignments import alignment, cone_share, fall_off
from evenflare.dsp.baffle_step import baffle_step
from evenflare.dsp.headroom import system_headroom, trims
from evenflare.dsp.loudness import (
    Ratings,
    displacement_pressure,
    limits,
    of_exit,
    of_piston,
    of_response,
)
from evenflare.units import amplitude_db
from known_sounds import piston_pressure
from reports import AIR

FREQUENCY = np.geomspace(20.0, 2000.0, 41)
ONE = np.ones(FREQUENCY.size, dtype=complex)
RADIUS = 0.08


def woofer(box=None, on_axis=ONE):
    falls = ONE if box is None else fall_off(box, FREQUENCY)
    share = np.ones(FREQUENCY.size) if box is None else cone_share(box, FREQUENCY)
    return of_piston(FREQUENCY, on_axis, radius=RADIUS, density=AIR.density, fall_off=falls, cone_share=share)


def test_a_displaced_volume_gives_the_pressure_of_a_piston_that_displaces_it():
    # Reference: the piston's own closed form, whose velocity is that of the excursion, rms.
    excursion = 5e-3
    velocity = 2.0 * np.pi * FREQUENCY * excursion / np.sqrt(2.0)
    expected = velocity * np.abs(piston_pressure(FREQUENCY, 0.0, radius=RADIUS, velocity=1.0, air=AIR)[:, 0])
    found = displacement_pressure(FREQUENCY, np.pi * RADIUS**2 * excursion, density=AIR.density)
    assert found == pytest.approx(expected, rel=1e-9)


def test_a_displaced_volume_radiates_the_power_that_it_does_against_the_air():
    # Small piston in a baffle: radiation resistance rho c k^2 / (2 pi) per area squared (Kinsler et al., section 7.5);
    # the power spread over half a sphere of 1 m gives the pressure.
    volume = 1e-4
    flow = 2.0 * np.pi * FREQUENCY * volume / np.sqrt(2.0)
    k = 2.0 * np.pi * FREQUENCY / AIR.speed_of_sound
    power = flow**2 * AIR.density * AIR.speed_of_sound * k**2 / (2.0 * np.pi)
    pressure = np.sqrt(power / (2.0 * np.pi) * AIR.density * AIR.speed_of_sound)
    assert displacement_pressure(FREQUENCY, volume, density=AIR.density) == pytest.approx(pressure, rel=1e-12)


def test_limits_of_a_piston_by_hand():
    ratings = Ratings(sensitivity=88.0, power=100.0, impedance=4.0, excursion=5e-3, level=110.0)
    found = limits(ratings, woofer())
    # 100 W in 4 ohm are 20 V: 88 dB + 20 log10(20 / 2.83).
    assert found["power"] == pytest.approx(np.full(41, 88.0 + 20.0 * np.log10(20.0 / 2.83)))
    assert found["level"] == pytest.approx(np.full(41, 110.0))
    # 12 dB per octave.
    assert np.diff(found["excursion"]) == pytest.approx(40.0 * np.diff(np.log10(FREQUENCY)))
    two = limits(ratings, woofer(), drivers=2)
    for cause, level in found.items():
        assert two[cause] == pytest.approx(level + 20.0 * np.log10(2.0))


def test_power_follows_the_box_and_excursion_does_not_in_a_closed_one():
    ratings = Ratings(sensitivity=88.0, power=50.0, impedance=8.0, excursion=5e-3)
    box = alignment("closed", 60.0)
    free, held = limits(ratings, woofer()), limits(ratings, woofer(box))
    assert held["power"] - free["power"] == pytest.approx(amplitude_db(fall_off(box, FREQUENCY)))
    assert held["excursion"] == pytest.approx(free["excursion"])
    # A vented box's cone rests at its tuning: 1 / 7 of the excursion there.
    vented = alignment("vented", float(FREQUENCY[10]))
    gained = limits(ratings, woofer(vented))["excursion"] - free["excursion"]
    assert gained[10] == pytest.approx(20.0 * np.log10(7.0))
    assert gained[0] < -5.0  # far below, cone and vent cancel


def test_a_cabinet_takes_from_every_limit_but_a_level_what_it_takes_from_the_axis():
    ratings = Ratings(sensitivity=88.0, power=50.0, impedance=8.0, excursion=5e-3, level=105.0)
    free, half = limits(ratings, woofer()), limits(ratings, woofer(on_axis=0.5 * ONE))
    for cause, lost in (("power", 6.0206), ("excursion", 6.0206), ("level", 0.0)):
        assert free[cause] - half[cause] == pytest.approx(np.full(41, lost), abs=1e-4)


def test_a_baffle_leaves_half_of_the_pressure_far_below_its_step_and_all_far_above():
    # Beranek and Mellow (2012), section 12.5: 6.02 dB; a sphere of 170 mm is small at 10 Hz and large at 20 kHz.
    step = baffle_step(0.3, 0.3, speed_of_sound=AIR.speed_of_sound)
    left = step.left_on_axis(np.array([10.0, 20e3]), speed_of_sound=AIR.speed_of_sound)
    assert left == pytest.approx([0.5, 1.0], rel=0.01)


def test_a_waveguide_for_unit_velocity_is_limited_by_the_velocity_of_its_exit():
    # 0.2 mm peak at f: 2 pi f 0.2e-3 / sqrt 2 m/s rms, times 3 Pa for each.
    found = limits(Ratings(excursion=2e-4), of_exit(FREQUENCY, 3.0 * ONE))["excursion"]
    expected = 20.0 * np.log10(3.0 * 2.0 * np.pi * FREQUENCY * 2e-4 / np.sqrt(2.0) / 20e-6)
    assert found == pytest.approx(expected)


def test_a_response_has_its_sensitivity_as_the_mean_of_its_passband():
    on_axis = ONE * np.where(FREQUENCY < 200.0, 0.5, 1.0) * 0.37
    ratings = Ratings(sensitivity=90.0, power=2.83**2 / 8.0, impedance=8.0)
    found = limits(ratings, of_response(FREQUENCY, on_axis, passband=(250.0, 1500.0)))["power"]
    assert found[FREQUENCY > 250.0] == pytest.approx(90.0)
    assert found[0] == pytest.approx(90.0 - 6.0206, abs=1e-4)
    with pytest.raises(ValueError, match="what an excursion gives is not known"):
        limits(Ratings(excursion=1e-3), of_response(FREQUENCY, on_axis, passband=(250.0, 1500.0)))


def test_headroom_of_two_ways_by_hand():
    # Below 200 Hz the woofer plays alone, above both add in phase at half the pressure each: 6 dB more than either.
    low = FREQUENCY < 200.0
    ways = np.array([np.where(low, 0.0, 0.5), np.where(low, 1.0, 0.5)]).astype(complex)
    woofer_limit = np.where(low, 98.0, 120.0)
    woofer_limit[3] = 95.0
    found = system_headroom(
        FREQUENCY,
        ways,
        [{"level": np.full(41, 101.0)}, {"excursion": woofer_limit, "power": np.full(41, 99.0)}],
        passband=0.0,
        counted=np.ones(41, dtype=bool),
    )
    # The woofer is at 95 dB at that frequency when the loudspeaker is; the other way at 101 dB when the sum is at 107.
    assert (found.first.way, found.first.cause) == (1, "excursion")
    assert (found.first.frequency, found.first.level) == pytest.approx((FREQUENCY[3], 95.0))
    assert [each.way for each in found.order] == [1, 0]
    assert found.order[1].level == pytest.approx(101.0 + 6.0206, abs=1e-4)
    assert found.greatest[1][low] == pytest.approx(woofer_limit[low])
    assert found.greatest[1][~low] == pytest.approx(99.0 + 6.0206, abs=1e-4)
    assert set(found.causes[1][20:]) == {"power"}
    # Played so, the sum touches what it can at that place, and nowhere passes it.
    margin = found.greatest.min(axis=0) - found.played
    assert margin[3] == pytest.approx(0.0, abs=1e-9)
    assert margin.min() == pytest.approx(0.0, abs=1e-9)


def test_a_frequency_that_is_not_known_limits_nothing_and_no_limit_is_no_headroom():
    limit = np.full(41, 110.0)
    limit[0] = 60.0
    counted = np.arange(41) > 0
    found = system_headroom(FREQUENCY, ONE[None], [{"level": limit}], passband=0.0, counted=counted)
    assert found.first.level == pytest.approx(110.0)
    assert system_headroom(FREQUENCY, ONE[None], [{}], passband=0.0, counted=counted) is None


def test_trims_bring_all_ways_to_the_least_sensitive():
    assert trims([108.0, 87.0], [1, 2]) == pytest.approx([87.0 + 6.0206 - 108.0, 0.0], abs=1e-4)
    assert trims([108.0, None], [1, 1]) is None
