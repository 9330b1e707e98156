"""RoomImpulse responses: sums of delays, a head, a decay, and the levels that the tables state."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from evenflare.air import Air
from evenflare.bands import band_edges
from evenflare.room.head import RADIUS, ear, ears_toward, sphere_pressure
from evenflare.room.impulse import impulse, length_of
from evenflare.room.interference import added, band_means
from evenflare.room.paths import fine_bands, in_thirds
from evenflare.room.response import respond
from evenflare.room.room import reverberation_time
from evenflare.units import REFERENCE_PRESSURE, power_db
from room_shared import AT, SEAT, forward, pattern, room_of

RATE = 48000


def band_levels(spectrum, thirds, count):
    low, high = band_edges(fine_bands(thirds), fraction=24)
    return power_db(in_thirds(band_means(spectrum, RATE / count, low, high)) / REFERENCE_PRESSURE**2)


def test_delays_are_added_as_phasors():
    random = np.random.default_rng(1)
    delay, nodes = random.uniform(0.0, 0.3, 40), np.geomspace(20.0, 20e3, 30)
    spectra = np.exp(random.standard_normal((40, 1))) * (
        1.0 + 0.5j * np.log(nodes / 1e3)
    )  # straight over log frequency
    at = 1.7 * np.arange(6000)
    inside = at >= nodes[0]
    wanted = np.zeros(at.size, dtype=complex)
    for each, seconds in zip(spectra, delay, strict=True):
        factor = np.interp(np.log(np.maximum(at, 1.0)), np.log(nodes), each.real) + 1j * np.interp(
            np.log(np.maximum(at, 1.0)), np.log(nodes), each.imag
        )
        wanted += factor * np.exp(-2j * np.pi * at * seconds)
    found = added(delay, spectra, nodes, step=1.7, count=at.size)
    # Rounding of phases of up to 2 pi 3000, taken anew every 64 steps.
    np.testing.assert_allclose(found[inside], wanted[inside], atol=1e-9 * np.abs(spectra).sum())


def test_a_long_wave_passes_a_head_and_a_short_one_doubles_in_front_of_it():
    cosine = np.array([1.0, 0.0, -1.0])
    # A rigid sphere in a long wave adds half the phase of its own size: p = 1 + 1.5 j k a cos, to the order (k a)^2.
    # Source: G. F. Kuhn, J. Acoust. Soc. Am. 62 (1977) 157, eq. 3 (from memory).
    np.testing.assert_allclose(sphere_pressure(np.array([0.01]), cosine)[:, 0], 1.0 + 1.5j * 0.01 * cosine, atol=2e-4)
    # A wall doubles the pressure; what a sphere of k a = 60 lacks goes as 1 / (k a).
    assert abs(sphere_pressure(np.array([60.0]), cosine)[0, 0]) == pytest.approx(2.0, abs=0.02)


def test_ears_are_told_apart_by_the_delay_of_a_sphere():
    air = Air()
    low = np.array([50.0])
    one = ear(low, air)
    left, right = ears_toward(np.array([1.0, 0.0, 0.3]))
    assert left.tolist() == [0.0, 1.0, 0.0]  # y is to the left of a head that looks along x
    towards = np.array([[np.sqrt(0.5), np.sqrt(0.5), 0.0]])
    phase = []
    for side in (left, right):
        spectrum, delay = one.heard(towards @ side)
        phase.append(np.angle(spectrum[0, 0]) - 2.0 * np.pi * low[0] * delay[0])
    later = (phase[0] - phase[1]) / (2.0 * np.pi * low[0])
    # 3 a sin(angle) / c where the wave is long (Kuhn 1977, from memory); k a = 0.08 leaves terms of (k a)^2.
    assert later == pytest.approx(3.0 * RADIUS * np.sqrt(0.5) / air.speed_of_sound, rel=0.01)


def test_ears_share_a_diffuse_field_as_two_points_three_radii_apart_share_it():
    air = Air()
    f = np.array([40.0, 150.0, 8e3])
    size = 2.0 * np.pi * f * 3.0 * RADIUS / air.speed_of_sound
    one = ear(f, air)
    # Long waves: the delay of the sphere acts as a distance of 3 a; of points sin(x) / x (Cook et al., J. Acoust. Soc.
    # Am. 27 (1955) 1072). At k a = 0.24 the sphere departs by a hundredth.
    np.testing.assert_allclose(one.coherence[:2], np.sinc(size[:2] / np.pi), atol=0.02)
    assert abs(one.coherence[2]) < 0.1
    assert one.diffuse[0] == pytest.approx(1.0, abs=0.01)  # a long wave does not see the head


@pytest.fixture(scope="module")
def den():
    return room_of((0.15, 0.2, 0.1, 0.25, 0.4, 0.1), order=8, yaw=0.3)


def test_levels_of_an_impulse_response_are_those_of_the_tables(den):
    source = pattern(forward)
    count = length_of(den, sample_rate=RATE)
    wanted = respond(den, source).thirds
    found = impulse(den, source, SEAT, sample_rate=RATE, count=count, facing=None, seed=3)
    thirds = wanted.frequency
    # A tenth of a dB is promised; means over steps of 1.5 Hz against those of half the images' span differ by 0.01.
    np.testing.assert_allclose(band_levels(found.direct[0], thirds, count), wanted.direct[0], atol=0.02)
    np.testing.assert_allclose(band_levels(found.whole[0], thirds, count), wanted.steady[0], atol=0.05)
    other = impulse(den, source, SEAT, sample_rate=RATE, count=count, facing=None, seed=4)
    assert not np.allclose(found.reflected, other.reflected)  # another noise, the same levels
    np.testing.assert_allclose(band_levels(other.whole[0], thirds, count), wanted.steady[0], atol=0.05)


def test_the_direct_sound_arrives_after_its_way(den):
    count = length_of(den, sample_rate=RATE)
    found = impulse(den, pattern(), SEAT, sample_rate=RATE, count=count, facing=None, seed=1)
    taps = np.fft.irfft(found.direct[0], count)
    far = float(np.linalg.norm(np.subtract(AT, SEAT)))
    assert np.argmax(np.abs(taps)) == pytest.approx(far / den.air.speed_of_sound * RATE, abs=0.6)  # half a sample


def test_the_tail_decays_by_the_formula_in_schroeders_integration():
    room = room_of(0.2, order=0)
    count = length_of(room, sample_rate=RATE)
    found = impulse(room, pattern(), SEAT, sample_rate=RATE, count=count, facing=None, seed=5)
    taps = np.fft.irfft(found.reflected[0], count)
    for octave in (1000.0, 4000.0):
        edges = [octave / np.sqrt(2.0), octave * np.sqrt(2.0)]
        part = sosfilt(butter(4, edges, btype="bandpass", fs=RATE, output="sos"), taps)
        # M. R. Schroeder, J. Acoust. Soc. Am. 37 (1965) 409.
        level = power_db(np.cumsum(part[::-1] ** 2)[::-1] / np.sum(part**2))
        time = np.arange(count) / RATE
        used = (level < -5.0) & (level > -35.0)
        seconds = -60.0 / np.polyfit(time[used], level[used], 1)[0]
        wanted = reverberation_time(room, [octave])[0]
        # A single realisation: 0.9 / sqrt(bandwidth times decay time) is 4 % at 1 kHz, 2 % at 4 kHz (own estimate).
        assert seconds == pytest.approx(wanted, rel=0.08)


def test_a_source_on_the_left_is_louder_and_earlier_at_the_left_ear(den):
    count = length_of(den, sample_rate=RATE)
    ahead = (SEAT[0] - 1.0, SEAT[1] + 3.0, SEAT[2])
    found = impulse(den, pattern(), SEAT, sample_rate=RATE, count=count, facing=ahead, seed=1)
    left, right = (np.fft.irfft(each, count) for each in found.direct)
    assert np.sum(left**2) > 2.0 * np.sum(right**2)
    assert np.argmax(np.abs(left)) < np.argmax(np.abs(right))
