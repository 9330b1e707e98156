"""What is heard where ways part, and the search, on drivers whose answers are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from evenflare import metrics
from evenflare.closed_forms import piston_index
from evenflare.dsp.crossover import Crossing, Crossover, Setting, evenness, responses, trusted
from evenflare.dsp.crossover_search import Open, OpenCrossing, OpenSetting, search
from evenflare.dsp.drivers import Radiator, piston
from evenflare.dsp.handover import handovers, meetings, parting, without_lobes
from evenflare.dsp.placing import Way, heard, mean_square, within
from evenflare.dsp.slopes import Slope
from evenflare.units import DEGREE, power_db

C = 343.2
FREQUENCY = np.geomspace(200.0, 8000.0, 65)
FOURTH = Slope("linkwitz_riley", 4)
POINT = Radiator(lambda f, off, around: np.ones((f.size, off.size), dtype=complex), False, (0.0, np.inf), C)


def beam(power: float) -> Radiator:
    """cos^n of the angle in half space: the mean square over the sphere is 1 / (2 (2n + 1))."""

    def far(frequency, off_axis, azimuth):
        shape = np.clip(np.cos(off_axis), 0.0, None) ** power
        return np.broadcast_to(shape, (frequency.size, off_axis.size)).astype(complex)

    return Radiator(far, True, (0.0, np.inf), C)


def two(upper: Radiator, lower: Radiator, below: float, forward: float = 0.0) -> list[Way]:
    return [Way("waveguide", upper, ((0.0, 0.0, 0.0),)), Way("woofer", lower, ((0.0, -below, forward),))]


def crossed(corner: float, slope: Slope = FOURTH, **lower) -> Crossover:
    return Crossover((Crossing(slope, corner),), (Setting(), Setting(**lower)))


def heard_about(ways: list[Way], made: Crossover):
    sounds = heard(ways, FREQUENCY)
    filters = responses(made, FREQUENCY)
    total = sounds.summed(filters, valid=trusted(sounds, filters))
    return sounds, filters, handovers(sounds, made, filters, total)


def test_ways_alike_in_one_place_are_even_and_have_no_dip():
    sounds, filters, (found,) = heard_about(two(POINT, POINT, 0.0), crossed(1200.0))
    assert evenness(sounds, filters).score == pytest.approx(0.0, abs=1e-9)
    assert found.dip == pytest.approx(0.0, abs=1e-9)
    assert found.nulls == ()


@pytest.mark.parametrize("spacing", [0.12, 0.2, 0.3])
def test_power_dip_of_two_point_sources_at_the_crossover(spacing):
    # Each gives half of the axis there: power (1 + sin(kd) / (kd)) / 2 of what one alone would give.
    corner = float(FREQUENCY[32])
    sounds, filters, _ = heard_about(two(POINT, POINT, spacing), crossed(corner))
    kd = 2 * np.pi * corner * spacing / C
    dip = power_db(mean_square(sounds.power, filters)) - without_lobes(sounds, filters)
    assert dip[32] == pytest.approx(10 * np.log10(0.5 * (1 + np.sin(kd) / kd)), abs=2e-3)  # rings of 2.5 degrees


def test_vertical_nulls_lie_where_the_paths_differ_by_half_a_wavelength():
    # Both in phase and alike: nulls at sin t = c / (2 d f), on either side. 30 degrees, a point of the grid.
    corner = float(FREQUENCY[40])
    spacing = C / (2.0 * corner * np.sin(30 * DEGREE))
    *_, (found,) = heard_about(two(POINT, POINT, spacing), crossed(corner))
    angles = sorted(angle / DEGREE for angle, _ in found.nulls)
    assert angles == pytest.approx([-30.0, 30.0])
    # 6 dB down where cos(k d sin t / 2) = 0.5012: sin t = 2 acos(0.5012) / (k d).
    edge = np.arcsin(2 * np.arccos(10 ** (-6 / 20)) / (2 * np.pi * corner * spacing / C))
    assert found.lobe == pytest.approx((-edge, edge), abs=0.3 * DEGREE)  # straight between 2.5 degrees


def test_a_lower_way_that_is_late_pulls_the_lobe_down():
    *_, (found,) = heard_about(two(POINT, POINT, 0.2), crossed(1000.0, delay=1e-4))
    assert found.lobe[0] < -found.lobe[1]


def test_directivities_meet_where_both_indices_are_equal():
    # A beam of cos^2 has 10 log 10 = 10 dB; a piston of 80 mm has that at one frequency.
    wanted = brentq(lambda f: piston_index(2 * np.pi * f * 0.08 / C) - 10.0, 500.0, 8000.0)
    sounds = heard(two(beam(2.0), piston(0.08, speed_of_sound=C), 0.2), FREQUENCY)
    assert meetings(sounds, 1) == (pytest.approx(wanted, rel=5e-3),)  # rings of 2.5 degrees, 12 frequencies an octave
    *_, (found,) = heard_about(two(beam(2.0), piston(0.08, speed_of_sound=C), 0.2), crossed(wanted))
    assert found.meets == (pytest.approx(wanted, rel=5e-3),)
    assert found.index[:2] == pytest.approx((10.0, 10.0), abs=0.05)
    # -6 dB of cos^2: acos(10^(-6/40)).
    assert found.horizontal[0] == pytest.approx(2 * np.arccos(10 ** (-6 / 40)), abs=0.2 * DEGREE)


def dipping(power: float) -> Radiator:
    """A beam of cos^2, and between 8 and 10 kHz of a higher power: its index rises there above a piston's."""

    def far(frequency, off_axis, azimuth):
        gap = (frequency > 8000.0) & (frequency < 10e3)
        return np.clip(np.cos(off_axis), 0.0, 1.0) ** np.where(gap, power, 2.0)[:, None] + 0j

    return Radiator(far, True, (0.0, np.inf), C)


def test_of_several_meetings_the_one_that_parts_is_taken():
    lower = piston(0.06, speed_of_sound=C)
    sounds = heard(two(dipping(40.0), lower, 0.2), np.geomspace(300.0, 16e3, 80))
    first, last = meetings(sounds, 1)
    assert first < 5000.0 < 9000.0 < last
    assert parting(sounds, 1) == first
    # Narrower from the lowest frequency on but in the gap: a meeting, yet the lower way is not the wider one below it.
    wide = heard(two(dipping(200.0), piston(0.1, speed_of_sound=C), 0.2), np.geomspace(3000.0, 16e3, 60))
    assert meetings(wide, 1) == (pytest.approx(10e3, rel=0.05),)  # 25 frequencies an octave
    assert parting(wide, 1) is None


def test_sum_has_the_index_of_the_way_that_is_heard():
    sounds, filters, _ = heard_about(two(beam(2.0), beam(0.5), 0.25), crossed(1200.0))
    index = metrics.directivity_index(sounds.summed(filters, valid=np.ones(65, dtype=bool)))
    assert index[0] == pytest.approx(10 * np.log10(4.0), abs=0.05)  # the lower way's 2 (2n + 1)
    assert index[-1] == pytest.approx(10.0, abs=0.05)


def test_search_finds_the_delay_of_a_driver_that_stands_forward():
    # 50 mm in front: it must wait 0.05 / c times the cosine of the angle, in the mean over the nine of the window.
    ahead = np.mean(np.cos(np.array([0, 10, 10, 10, 10, 20, 20, 30, 30]) * DEGREE))
    sounds = heard(two(POINT, POINT, 0.0, forward=0.05), FREQUENCY)
    choice = Open((OpenCrossing((FOURTH,), (1500.0, 1500.0)),), (OpenSetting(), OpenSetting(delay=(0.0, 5e-4))))
    found = search(sounds, choice, power_share=0.0)
    assert found.crossover.settings[1].delay == pytest.approx(0.05 / C * ahead, rel=2e-3)  # mean squares
    assert found.evenness.score < 0.1 * found.start.score
    assert found.at_end == ()


def test_a_delay_of_nothing_is_no_end_of_its_range_and_a_least_gain_is():
    """The driver already stands where it should; the other one should be softer than it may be."""
    sounds = heard(two(POINT, POINT, 0.0), FREQUENCY)
    corner = OpenCrossing((FOURTH,), (1500.0, 1500.0))
    alike = search(sounds, Open((corner,), (OpenSetting(), OpenSetting(delay=(0.0, 5e-4)))), power_share=0.0)
    assert alike.crossover.settings[1].delay == pytest.approx(0.0, abs=1e-6)  # a hundredth of what counts as an end
    assert alike.at_end == ()
    louder = Open((corner,), (OpenSetting(), OpenSetting(gain=(2.0, 6.0))))
    assert search(sounds, louder, power_share=0.0).at_end == ("gain 1",)


def test_evenness_is_of_the_shape_and_not_of_the_level():
    """Everything louder by 6 dB is as even as before."""
    sounds = heard(two(POINT, POINT, 0.3), FREQUENCY)
    filters = np.ones((2, FREQUENCY.size), dtype=complex)
    soft, loud = (evenness(sounds, gain * filters) for gain in (1.0, 2.0))
    assert soft.window > 0.1  # dB: two points 0.3 m apart interfere
    assert (loud.window, loud.power) == pytest.approx((soft.window, soft.power), rel=1e-9)


def test_search_finds_polarity_and_the_slope_that_goes_with_it():
    sounds = heard(two(POINT, POINT, 0.0), FREQUENCY)
    slopes = (Slope("butterworth", 2), Slope("linkwitz_riley", 2))
    choice = Open((OpenCrossing(slopes, (900.0, 2000.0)),), (OpenSetting(), OpenSetting(inverted=(False, True))))
    found = search(sounds, choice)
    assert found.crossover.crossings[0].slope == slopes[1]
    upper, lower = found.crossover.settings
    assert upper.inverted != lower.inverted  # second order: one of both is inverted
    assert found.evenness.score == pytest.approx(0.0, abs=1e-6)


def test_search_with_the_same_seed_finds_the_same():
    sounds = heard(two(piston(0.05, speed_of_sound=C), piston(0.1, speed_of_sound=C), 0.25), FREQUENCY)
    choice = Open(
        (OpenCrossing((FOURTH, Slope("linkwitz_riley", 8)), (900.0, 3000.0)),),
        (OpenSetting(), OpenSetting(delay=(0.0, 5e-4), gain=(-3.0, 3.0))),
    )
    first, again = (search(sounds, choice, seed=5) for _ in range(2))
    assert first == again
    assert first.evenness.score <= first.start.score


def test_nothing_open_is_the_crossover_itself():
    sounds = heard(two(POINT, POINT, 0.2), FREQUENCY)
    choice = Open((OpenCrossing((FOURTH,), (1000.0, 1000.0)),), (OpenSetting(), OpenSetting()))
    found = search(sounds, choice)
    assert found.crossover == crossed(1000.0)
    assert found.tried == 0


def test_value_at_the_end_of_its_range_is_told():
    # 200 mm apart the power dips less the lower the crossover.
    sounds = heard(two(POINT, POINT, 0.2), FREQUENCY)
    choice = Open((OpenCrossing((FOURTH,), (800.0, 1600.0)),), (OpenSetting(), OpenSetting()))
    assert search(sounds, choice).at_end == ("frequency 0",)


def test_two_woofers_above_and_below_point_ahead():
    ways = [Way("waveguide", POINT, ((0.0, 0.0, 0.0),)), Way("woofer", POINT, ((0.0, -0.3, 0.0), (0.0, 0.3, 0.0)))]
    *_, (found,) = heard_about(ways, crossed(600.0))
    assert found.lobe[0] == pytest.approx(-found.lobe[1], abs=1e-9)
    # Broadside pair by themselves: mean square (1 + sin(kd) / (kd)) / 2 of what one gives.
    kd = 2 * np.pi * 600.0 * 0.6 / C
    assert found.index[1] == pytest.approx(-10 * np.log10(0.5 * (1 + np.sin(kd) / kd)), abs=0.02)


def test_a_sum_is_trusted_only_where_all_that_is_heard_is_known():
    known = Radiator(POINT.far, False, (700.0, 20e3), C)
    sounds, filters, _ = heard_about(two(known, POINT, 0.2), crossed(1000.0))
    # The upper way is 20 dB down at 1000 / 9^(1/4) = 577 Hz: from there to 700 Hz it is heard, and not known.
    valid = trusted(sounds, filters)
    assert list(FREQUENCY[~valid]) == [f for f in FREQUENCY if 577.4 < f < 700.0]


def test_a_part_of_the_band_is_the_same_there():
    sounds = heard(two(POINT, POINT, 0.2), FREQUENCY)
    part = within(sounds, 500.0, 2000.0)
    inside = (FREQUENCY >= 500.0) & (FREQUENCY <= 2000.0)
    assert np.array_equal(part.power, sounds.power[inside])
    assert np.array_equal(part.frequency, FREQUENCY[inside])
