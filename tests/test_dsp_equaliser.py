"""What is wanted of an equaliser, the sections that give it, their limits, headroom, and the file that holds them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from biquads_shared import is_minimum_phase
from evenflare import metrics
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.dsp import equaliser
from evenflare.dsp.biquad import response
from evenflare.dsp.equalisation import FirWish, equalise
from evenflare.dsp.equaliser import Aim, Wanted, headroom, wanted
from evenflare.dsp.filters_file import read_equaliser, sections_record
from evenflare.dsp.fit import FilterSection, SectionLimits, fitted
from evenflare.dsp.interference import grid
from evenflare.dsp.on_axis import OnAxis, driven, read_on_axis, replaced
from evenflare.dsp.peaks import Peak
from evenflare.files import InputError
from evenflare.units import amplitude_db
from evenflare.waveguide import Source
from reports import piston

AIR = Air()
BAND = (400.0, 10500.0)
RATES = (44100, 48000, 96000)
TRUE = (
    FilterSection("low_shelf", 700.0, 4.0, 0.7),
    FilterSection("peaking", 1800.0, -6.0, 2.0),
    FilterSection("peaking", 5000.0, 5.0, 1.2),
)


def asked(sections=TRUE, *, band=BAND, offset: float = 0.0) -> Wanted:
    """What known sections do, to be found again."""
    at = grid(*band)
    level = amplitude_db(response([each.at_sample_rate(96000) for each in sections], at, sample_rate=96000)) + offset
    return Wanted(at, level, -level, (), np.zeros(at.size), np.zeros(at.size))


def test_known_sections_are_found_again() -> None:
    found = fitted(asked(), SectionLimits(sections=6), sample_rates=RATES)
    assert found.rms < 0.03  # six sections for three and the fade beyond the band
    assert abs(found.largest) < 0.12
    for rate in RATES:
        assert all(is_minimum_phase(each) for each in found.biquads(rate))
        own = amplitude_db(response(found.biquads(rate), asked().frequency, sample_rate=rate))
        wanted_level = asked().correction
        assert np.sqrt(np.mean((own - wanted_level) ** 2)) < 0.04


def test_statement_of_errors_is_that_of_the_coefficients() -> None:
    found = fitted(asked(), SectionLimits(sections=4), sample_rates=RATES)
    error = amplitude_db(response(found.biquads(96000), asked().frequency, sample_rate=96000)) - asked().correction
    assert found.rms == pytest.approx(np.sqrt(np.mean(error**2)))
    assert abs(found.largest) == pytest.approx(np.abs(error).max())
    ratio = response(found.biquads(44100), asked().frequency, sample_rate=44100) / response(
        found.biquads(96000), asked().frequency, sample_rate=96000
    )
    assert found.apart[44100][0] == pytest.approx(np.abs(amplitude_db(ratio)).max())
    assert found.apart[96000] == (0.0, 0.0)


def test_more_sections_fit_better_and_no_more_are_used_than_allowed() -> None:
    errors = []
    for count in (1, 3, 6):
        found = fitted(asked(), SectionLimits(sections=count), sample_rates=(48000,))
        assert len(found.sections[48000]) <= count
        errors.append(found.rms)
    assert errors[0] > errors[1] > errors[2]


def test_an_even_level_wants_no_section() -> None:
    found = fitted(asked(()), SectionLimits(), sample_rates=RATES)
    assert all(sections == () for sections in found.sections.values())
    assert found.rms == 0.0


def test_limits_of_gain_and_boost_are_kept() -> None:
    found = fitted(asked(), SectionLimits(sections=6, gain=3.0), sample_rates=(48000,))
    assert max(abs(each.gain) for each in found.sections[48000]) <= 3.0
    boosted = fitted(asked(), SectionLimits(sections=6, boost=5.2), sample_rates=(48000,))
    level = amplitude_db(response(boosted.biquads(48000), grid(200.0, 20000.0), sample_rate=48000))
    assert level.max() < 5.25  # a weight, not a wall: a twentieth of a dB over


def test_high_pass_comes_first_and_is_a_linkwitz_riley() -> None:
    found = fitted(asked(), SectionLimits(sections=8), sample_rates=(48000,), high_pass_at=350.0)
    first = found.biquads(48000)[:2]
    level = amplitude_db(response(first, np.array([350.0]), sample_rate=48000))
    assert level[0] == pytest.approx(-6.0206, abs=1e-3)  # half, of its definition
    assert len(found.sections[48000]) <= 8


@pytest.mark.parametrize(
    ("limits", "rates", "more", "words"),
    [
        (
            SectionLimits(boost=2.0),
            (48000,),
            {},
            r"needs a boost of \d\.\d\d dB at .* more than the 2 dB allowed\. Allow more",
        ),
        (
            SectionLimits(),
            (22050, 48000),
            {},
            "sample rate of 22050 Hz cannot hold a filter up to 10500 Hz: must be above 22340",
        ),
        (SectionLimits(sections=2), (48000,), {"high_pass_at": 300.0}, "2 sections leave none beside the high-pass"),
        (
            SectionLimits(),
            (48000,),
            {"high_pass_at": 12000.0},
            "high-pass at 12000 Hz: must be below the highest frequency",
        ),
    ],
)
def test_what_cannot_be_is_refused(limits, rates, more, words) -> None:
    with pytest.raises(ValueError, match=words):
        fitted(asked(), limits, sample_rates=rates, **more)


def test_correction_is_the_level_upside_down_with_its_mean_taken_out() -> None:
    directivity = piston()
    found = wanted(directivity, Aim(smoothing=48.0), band=BAND)
    level = np.interp(
        np.log(found.frequency), np.log(directivity.observation.frequency), metrics.on_axis_level(directivity)
    )
    # A piston in a baffle driven with even velocity rises by 6 dB per octave on axis.
    wanted_level = level.mean() - level
    np.testing.assert_allclose(found.correction, wanted_level, atol=0.15)  # what the smoothing moves at the ends
    assert found.correction.mean() == pytest.approx(0.0, abs=1e-12)


def test_power_share_and_slope_are_in_decibels_and_octaves() -> None:
    directivity = piston()
    half, whole, none = (wanted(directivity, Aim(power_share=share), band=BAND) for share in (0.5, 1.0, 0.0))
    # The mix of levels is the mix of corrections, as each is a level less its mean.
    np.testing.assert_allclose(half.correction, 0.5 * (whole.correction + none.correction), atol=1e-9)
    falling = wanted(directivity, Aim(slope=-1.0), band=BAND)
    slope = np.polyfit(np.log2(none.frequency), falling.correction - none.correction, 1)[0]
    assert slope == pytest.approx(-1.0, abs=1e-9)
    with pytest.raises(ValueError, match="power_share = 2: must be 0 to 1"):
        Aim(power_share=2.0)


def test_correction_fades_to_nothing_an_octave_beyond_the_band() -> None:
    asked_for = asked(offset=6.0)
    for at, share in ((200.0, 0.0), (283.0, 0.5), (400.0, 1.0)):
        faded = asked_for.faded(asked_for.correction, np.array([at]))[0]
        assert faded == pytest.approx(share * asked_for.correction[0], abs=0.02)
    held = asked_for.faded(asked_for.correction, np.array([100.0]), high_pass=350.0)[0]
    assert held == pytest.approx(asked_for.correction[0])
    assert asked_for.faded(asked_for.correction, np.array([100.0]), high_pass=150.0)[0] == pytest.approx(0.0, abs=1e-12)


def test_band_must_be_valid_and_an_octave_wide() -> None:
    with pytest.raises(ValueError, match=r"is valid from 300 to [\d.]+ Hz, which does not cover 100 to 5000"):
        wanted(piston(), Aim(), band=(100.0, 5000.0))
    with pytest.raises(ValueError, match="less than an octave"):
        wanted(piston(), Aim(), band=(1000.0, 1500.0))
    nothing = replace(piston(), valid=np.full(25, False))
    with pytest.raises(ValueError, match="no frequency is valid"):
        equaliser.valid_band(nothing)


def test_headroom_by_hand() -> None:
    at = grid(300.0, 3000.0)
    boost = np.where(at < 600.0, 6.0, 0.0)
    peaks = [Peak(6.0, 310.0, 8.0), Peak(2.0, 50.0, 9.0)]
    found = headroom(at, boost, np.full(at.size, 90.0), peaks=peaks)
    assert (found.greatest_boost, found.at, found.worst) == (6.0, 310.0, 9.0)
    np.testing.assert_allclose(found.alone, 90.0, atol=1e-9)
    np.testing.assert_allclose(found.even[found.band > 700.0], 84.0, atol=1e-9)  # 90 + 0 - 6
    np.testing.assert_allclose(found.even[found.band < 500.0], 90.0, atol=1e-9)
    cut = headroom(at, -boost, np.full(at.size, 90.0), peaks=[Peak(-3.0, 310.0, -1.0)])
    assert (cut.greatest_boost, cut.worst) == (0.0, 0.0)


def test_after_the_equaliser_the_axis_is_even_and_the_pattern_the_same() -> None:
    found = equalise(piston(), Aim(), band=BAND, limits=SectionLimits(boost=20.0), sample_rates=(48000,))
    inside = (found.before.observation.frequency >= 400.0) & (found.before.observation.frequency <= BAND[1])
    assert np.ptp(metrics.on_axis_level(found.before)[inside]) > 20.0
    assert np.std(metrics.on_axis_level(found.after)[inside]) < 0.5
    np.testing.assert_allclose(
        metrics.directivity_index(found.after)[inside], metrics.directivity_index(found.before)[inside], atol=1e-9
    )


def test_wish_for_a_response_in_time_is_checked() -> None:
    assert FirWish("mixed", 0.02, 0.005).latency == 0.005
    for arguments, words in (
        (("linear", 0.04, 0.003), "of a linear phase it is half the length, 20 ms"),
        (("mixed", 0.04, 0.05), "must be 0 to below the length, 40 ms"),
        (("mixed", 1e-4, None), "a length of 0.1 ms: must be 1 to 1000 ms"),
    ):
        with pytest.raises(ValueError, match=words):
            FirWish(*arguments)


def test_filters_file_reads_back_what_was_fitted(tmp_path) -> None:
    found = fitted(asked(), SectionLimits(sections=4), sample_rates=RATES)
    record = {
        "name": "n",
        "design_id": "i",
        "aim": {"from_hz": BAND[0], "to_hz": BAND[1]},
        "sections": sections_record(found),
        "fir": {"files": {"48000": {"wav": "a.wav"}}},
    }
    (tmp_path / "equaliser.json").write_text(json.dumps(record))
    for path in (tmp_path, tmp_path / "equaliser.json"):
        read = read_equaliser(path)
        assert (read.name, read.band, read.fir[48000]) == ("n", BAND, tmp_path / "a.wav")
        at = np.geomspace(100.0, 40000.0, 9)
        np.testing.assert_array_equal(read.response(at), response(found.biquads(96000), at, sample_rate=96000))
    with pytest.raises(ValueError, match="50000 Hz: must be at most 48000"):
        read_equaliser(tmp_path).response([50000.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "is not JSON"),
        ("[]", "is not a file of filters"),
        ('{"sections": {"48000": [{"b": [1, 0], "a": [1, 0, 0]}]}}', "b must be three finite coefficients"),
        (
            '{"name": "n", "design_id": "", "aim": {"from_hz": 1, "to_hz": 2}, "sections": {}, "fir": {"files": {}}}',
            "none",
        ),
    ],
)
def test_broken_filters_file_is_told(tmp_path, text, words) -> None:
    (tmp_path / "equaliser.json").write_text(text)
    with pytest.raises(InputError, match=words):
        read_equaliser(tmp_path)


def test_a_driver_on_axis_replaces_the_level_and_narrows_the_band(tmp_path) -> None:
    (tmp_path / "d.txt").write_text("* Hz dB deg\n500 90 0\n2000 96 0\n8000; 84; 10\n".replace(";", ","))
    heard = replaced(piston(), read_on_axis(tmp_path / "d.txt"))
    f = heard.observation.frequency
    at = np.array([500.0, 1000.0, 2000.0, 4000.0])
    level = np.interp(np.log(at), np.log(f), metrics.on_axis_level(heard))
    np.testing.assert_allclose(level, [90.0, 93.0, 96.0, 90.0], atol=0.6)  # corners of straight lines between points
    assert equaliser.valid_band(heard) == (f[f >= 500.0][0], f[f <= 8000.0][-1])
    before, after = (each.pressure[:, 0, 3] / each.on_axis for each in (piston(), heard))
    np.testing.assert_allclose(after, before, atol=1e-12)
    (tmp_path / "d.txt").write_text("500 90\n400 90\n")
    with pytest.raises(InputError, match="line 2: 400 90: must have a higher frequency"):
        read_on_axis(tmp_path / "d.txt")


def test_a_source_drives_a_prediction_as_a_voltage_divider() -> None:
    guide = piston()
    source = Source("impedance", (300.0, 15000.0), (1.0 + 0.0j, 1.0 + 0.0j), (2.0, 2.0))
    heard = driven(guide, source)
    assert guide.throat_impedance is not None
    velocity = 2.0 / (AIR.impedance * (1.0 + guide.throat_impedance))
    np.testing.assert_allclose(heard.on_axis, guide.on_axis * velocity, rtol=1e-12)
    with pytest.raises(ValueError, match="no throat impedance"):
        driven(replace(guide, throat_impedance=None), source)


def test_without_a_phase_a_replaced_level_brings_its_minimum_phase() -> None:
    # A low-pass of first order at 3 kHz: in closed form -atan(f / 3000) goes with its level.
    at = np.geomspace(300.0, 15000.0, 200)
    guide = piston()
    own = metrics.on_axis_level(guide)
    known = np.interp(np.log(at), np.log(guide.observation.frequency), own)
    heard = replaced(guide, OnAxis(at, known - 10 * np.log10(1 + (at / 3000.0) ** 2)))
    f = guide.observation.frequency
    inside = (f > 400.0) & (f < 4000.0)  # above, the level held beyond the last frequency bends the phase
    turned = np.angle(heard.on_axis / guide.on_axis)[inside]
    np.testing.assert_allclose(turned, -np.arctan(f[inside] / 3000.0), atol=0.25)
    flat = replaced(guide, OnAxis(f, own - 6.0))
    np.testing.assert_allclose(flat.on_axis, guide.on_axis * 10 ** (-6 / 20), rtol=1e-9)


def test_a_listening_window_needs_both_planes_or_roundness() -> None:
    f = np.geomspace(300.0, 12000.0, 30)
    angles = np.arange(0.0, 180.1, 10.0) * np.pi / 180
    one_sided = Directivity(
        Observation(f, angles, symmetry="none"),
        np.ones((30, 1, 19), dtype=complex),
        np.full(30, True),
        AIR.density,
        AIR.speed_of_sound,
    )
    with pytest.raises(ValueError, match="plane|angle|observ"):
        wanted(one_sided, Aim("listening_window"), band=(400.0, 8000.0))
