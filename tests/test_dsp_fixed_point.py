"""How far filters raise a signal, and what sections in whole numbers do, against scipy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from evenflare.dsp.biquad import Biquad, cookbook, high_pass, low_shelf
from evenflare.dsp.equalisation import Equalisation, equalise
from evenflare.dsp.equaliser import Aim
from evenflare.dsp.fir import Fir
from evenflare.dsp.fit import SectionLimits
from evenflare.dsp.fixed_point import WORDS, FixedSection, Word, fixed, fixed_point, run
from evenflare.dsp.peaks import impulse_response, rows, sections_peak, taps_peak
from evenflare.units import amplitude_db
from reports import piston

RATE = 48000
ROW = (
    high_pass(100.0, sample_rate=RATE),
    Biquad(*cookbook("peaking", 1234.5, sample_rate=RATE, quality=7.0, gain_db=9.0)),
    low_shelf(400.0, gain_db=-4.0, sample_rate=RATE),
)


def rising() -> Equalisation:
    """A correction that rises towards the low end of its band: a shelf that nothing bounds goes on rising below it."""
    return equalise(
        piston(),
        Aim(slope=-4.0),
        band=(300.0, 10000.0),
        limits=SectionLimits(sections=5, boost=30.0, outside=4.0),
        sample_rates=(44100, 96000),
    )


@pytest.fixture(scope="module")
def found() -> Equalisation:
    return rising()


def by_scipy(sections, at, rate):
    table = np.array([[*each.b, *each.a] for each in sections])
    return amplitude_db(np.abs(signal.sosfreqz(table, at, fs=rate)[1]) + 1e-30)


def test_greatest_gain_is_that_at_any_frequency_and_rate(found) -> None:
    greatest = []
    for rate, own in found.fitted.sections.items():
        at = np.concatenate([np.linspace(0.0, 0.5 * rate, 100001), np.geomspace(0.01, 0.5 * rate, 20001)])
        level = by_scipy([each.at_sample_rate(rate) for each in own], at, rate)
        greatest.append(level.max())
        # A grid this fine misses a top by less.
        assert found.peaks[rate][0].gain == pytest.approx(level.max(), abs=1e-4)
        low, high = found.band
        outside = (at < low) | (at > high)
        # Beside the band the correction of its end fades over an octave; from there on the bound is a bound.
        far = (at < 0.5 * low) | (at > 2.0 * high)
        assert level[far].max() <= found.limits.outside
        assert found.partings[rate].boost == pytest.approx(level[outside & (at >= 20.0)].max(), abs=0.05)  # its grid
        taps = found.made[rate].taps.taps
        by_transform = amplitude_db(np.abs(np.fft.rfft(taps, 2**18)).max())
        assert found.peaks[rate][1].gain == pytest.approx(by_transform, abs=1e-4)
        greatest.append(by_transform)
    assert found.headroom.greatest_boost == pytest.approx(max(greatest), abs=1e-4)


def test_gain_and_worst_peak_in_closed_form() -> None:
    # A shelf of 10.9 dB has it at 0 Hz, far below any band (the cookbook); its impulse response changes sign, so L1 is
    # above that. One pole: h = r^n, gain and L1 both 1 / (1 - r).
    assert sections_peak([low_shelf(400.0, gain_db=10.9, sample_rate=RATE)], sample_rate=RATE).gain == pytest.approx(
        10.9, abs=1e-9
    )
    pole = Biquad(np.array([1.0, 0.0, 0.0]), np.array([1.0, -0.9, 0.0]))
    peak = sections_peak([pole], sample_rate=RATE)
    assert (peak.gain, peak.place) == (pytest.approx(20.0, abs=1e-6), 0.0)
    assert peak.worst == pytest.approx(20.0, abs=1e-6)
    taps = taps_peak(Fir(np.array([0.5, -1.0, 0.5]), RATE, 1))
    assert (taps.gain, taps.place, taps.worst) == (
        pytest.approx(amplitude_db(2.0)),
        pytest.approx(0.5 * RATE),
        pytest.approx(amplitude_db(2.0)),
    )
    assert sections_peak([], sample_rate=RATE).worst == 0.0
    with pytest.raises(ValueError, match="not stable"):
        impulse_response([Biquad(np.array([1.0, 0.0, 0.0]), np.array([1.0, -2.0, 1.0]))])


@pytest.mark.parametrize("word", WORDS, ids=lambda word: word.name)
def test_whole_numbers_filter_as_scipy_does_with_the_noise_stated(word) -> None:
    made = fixed_point(ROW, word, sample_rate=RATE)
    own = [each.biquad(word) for each in made.sections]
    for exact, each, section in zip(ROW, own, made.sections, strict=True):
        # Half a step of the word at its shift.
        step = 2.0 ** (section.shift - word.fraction)
        np.testing.assert_allclose([*each.b, *each.a], [*exact.b, *exact.a], atol=0.5 * step)
        assert max(abs(value) for value in section.values) < 2 ** (word.whole + word.fraction - 1)
    noise = np.random.default_rng(1).uniform(-1.0, 1.0, 16000) * 2.0**-made.down
    steps = np.rint(noise * 2.0**word.signal_fraction)
    got, saturated = run(made.sections, [int(each) for each in steps], word)
    exact = signal.sosfilt(rows(own), steps * 2.0**-word.signal_fraction)
    error = np.array(got) * 2.0**-word.signal_fraction - exact
    assert saturated == 0
    # A high-pass of 100 Hz makes the noise low: some 60 independent values in this run, four standard deviations.
    assert 10.0 * np.log10(np.mean(error**2)) == pytest.approx(made.noise, abs=3.0)
    assert made.transposed - made.noise == pytest.approx(4.77, abs=0.01)  # three roundings for one
    assert made.fed_back < made.noise  # its zero lies where these poles are


def test_noise_of_one_pole_in_closed_form() -> None:
    # Variance D^2 / 12 / (1 - r^2), Oppenheim and Schafer's example; with 1 - 1/z before it D^2 / 12 * 2 / (1 + r).
    r, word = 0.5, Word(5, 23, 5, 23)
    pole = Biquad(np.array([0.5, 0.0, 0.0]), np.array([1.0, -r, 0.0]))
    made = fixed_point([pole], word, sample_rate=RATE)
    base = 10.0 * np.log10(2.0**-46 / 12.0)
    assert made.noise - base == pytest.approx(-10.0 * np.log10(1.0 - r**2), abs=1e-6)
    assert made.fed_back - base == pytest.approx(10.0 * np.log10(2.0 / (1.0 + r)), abs=1e-6)


def test_the_input_that_drives_hardest_does_not_saturate_and_twice_it_does() -> None:
    word = WORDS[0]
    made = fixed_point(ROW, word, sample_rate=RATE, samples=6000)
    assert made.saturated == 0
    whole = impulse_response([each.biquad(word) for each in made.sections])
    loud = np.where(whole[::-1] >= 0.0, 1.0, -1.0) * (1.0 - 2.0**-20)
    assert made.down > 0
    assert run(made.sections, [int(x) for x in np.rint(loud * 2.0**23)], word)[1] > 0


def test_a_section_that_a_short_word_cannot_hold_is_refused() -> None:
    low = high_pass(1.0, sample_rate=192000.0)
    assert isinstance(fixed([low], Word(1, 15, 1, 15))[0], FixedSection)
    with pytest.raises(ValueError, match="not stable"):
        fixed_point([low], Word(1, 15, 1, 15), sample_rate=192000.0)
