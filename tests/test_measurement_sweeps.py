"""Sweeps of the usual kind, which end below half the sample rate and fade out: band, noise, arrival, distortion."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from scipy.linalg import solve_toeplitz
from scipy.signal import correlate, fftconvolve, firwin

from evenflare.closed_forms import cap_index
from evenflare.files import InputError
from evenflare.measurement.assemble import assemble
from evenflare.measurement.deconvolve import deconvolver, excited_band
from evenflare.measurement.session import read_session
from evenflare.metrics import directivity_index
from evenflare.units import amplitude_db, power_db
from field_rigs import RIG, SPEED, exponential, radial_cap
from synthetic_rig import SyntheticRig, driver, impulse, point, write_session_files
from wavs import write_wav

RATE = 48000
KINDS = {
    "10 ms at 20 kHz": (2.0, 20.0, 20e3, 0.05, 0.01),
    "50 ms at 20 kHz": (2.0, 100.0, 20e3, 0.02, 0.05),
    "no fade": (2.0, 200.0, 20e3, 0.0, 0.0),
    "to 16 kHz": (1.0, 50.0, 16e3, 0.02, 0.03),
    "to half the rate": (2.0, 20.0, 24e3, 0.1, 0.0),
}


def swept(kind: str) -> np.ndarray:
    duration, lowest, highest, rise, fall = KINDS[kind]
    return exponential(duration, lowest, highest, rise=rise, fall=fall)


@pytest.mark.parametrize("kind", KINDS)
def test_peak_over_noise_is_what_theory_allows(kind):
    """White noise of power 1: the best inverse of a band has peak 2 (b - a) / rate over the rms of noise / |S|.

    |S(f)|^2 = rate^2 L fade^2 / (4 f), stationary phase of an exponential sweep (Farina 2000), L = T / ln(f2 / f1).
    """
    duration, lowest, highest, rise, fall = KINDS[kind]
    played = swept(kind)
    low, high = excited_band(played, sample_rate=RATE)
    slow = duration / np.log(highest / lowest)
    f = np.linspace(max(low, lowest), min(high, highest), 100_001)
    time = slow * np.log(f / lowest)
    fade = np.minimum(1.0, time / rise if rise else 1.0)
    fade = np.minimum(fade, (duration - time) / fall if fall else 1.0)
    power = RATE**2 * slow * np.maximum(np.sin(0.5 * np.pi * fade), 0.05) ** 4 / (4.0 * f)
    peak = 2.0 * (f[-1] - f[0]) / RATE
    theory = peak**2 / (2.0 / RATE * np.trapezoid(1.0 / power, f))

    divide = deconvolver(played, sample_rate=RATE)
    heard = np.concatenate([np.zeros(480), played, np.zeros(RATE // 2)])
    found = divide(heard).samples
    noise = divide(np.random.default_rng(4).normal(size=heard.size)).samples
    assert int(np.argmax(np.abs(found))) == 480
    got = amplitude_db(np.abs(found).max() / np.std(noise))
    assert got > power_db(theory) - 1.0
    # The band reaches what was played, less what the fades weaken by more than 6 dB: sin^2 = 1/2 half-way.
    assert low == pytest.approx(
        lowest * np.exp(0.5 * rise / slow), rel=0.03, abs=2.5
    )  # it dwells there for moments only
    assert high == pytest.approx(highest * np.exp(-0.5 * fall / slow), rel=0.03)


@pytest.mark.parametrize("kind", ["10 ms at 20 kHz", "to 16 kHz"])
def test_a_second_deconvolution_agrees(kind):
    """Least squares in time (normal equations of a Toeplitz matrix, by scipy), with no spectrum divided anywhere."""
    played = swept(kind)
    heard = firwin(241, [500.0, 9000.0], fs=RATE, pass_zero=False)
    heard = np.concatenate([np.zeros(100), heard, 0.4 * heard, np.zeros(330)])
    recording = np.concatenate([fftconvolve(played, heard), np.zeros(2000)])
    found = deconvolver(played, sample_rate=RATE)(recording).samples[: heard.size]
    own = correlate(played, played, method="fft")[played.size - 1 :][: heard.size]
    cross = correlate(recording, played, method="fft")[played.size - 1 :][: heard.size]
    own[0] *= 1.0 + 1e-9  # outside the band nothing is known
    other = solve_toeplitz(own, cross)
    f = np.geomspace(600.0, 8500.0, 60)
    turn = np.exp(-2j * np.pi * np.outer(f, np.arange(heard.size)) / RATE)
    one, two, true = turn @ found, turn @ other, turn @ heard
    # The one's skirts ring at the band's ends beyond the 512 samples, the other is held by its ridge: -50 dB of both.
    assert amplitude_db(np.abs(one - two).max() / np.abs(true).max()) < -50.0
    assert amplitude_db(np.abs(one - true).max() / np.abs(true).max()) < -50.0


def test_the_inverse_is_bounded_whatever_the_fade():
    for kind in KINDS:
        played = swept(kind)
        divide = deconvolver(played, sample_rate=RATE)
        response = np.abs(np.fft.rfft(divide(np.eye(1, 2 * played.size, played.size)[0]).samples))
        middle = np.median(response)
        # 10 dB where a line at the band's end has a tenth of the power, 3 dB from its middle to its top, 1 of ripple.
        assert amplitude_db(response.max() / middle) < 14.0


def write_sweeps(folder, pressure, played, *, rig=RIG, hum=0.0, noise_db=None, tables=None, **more):
    tables = {"analysis": {"from_hz": 400, "to_hz": 20000, "per_octave": 6}, **(tables or {})}
    path = write_session_files(folder, pressure, rig=rig, kind="sweep", swept=played, tables=tables, **more)
    noisy = np.random.default_rng(7)
    for file in sorted(folder.glob("t*.wav")):
        samples, rate = soundfile.read(file)
        samples = np.concatenate([samples, np.zeros(rate // 5)])
        if noise_db is not None:
            samples += np.std(samples) * 10.0 ** (0.05 * noise_db) * noisy.normal(size=samples.size)
        time = np.arange(samples.size) / rate
        samples += hum * sum(np.sin(2 * np.pi * 50 * n * time + n) / n for n in (1, 3, 5))
        write_wav(file, samples, rate)
    return path


def test_a_usual_sweep_gives_the_index_of_a_cap(tmp_path):
    """The end at 20 kHz with 10 ms of fade, noise 50 dB down: arrival, band and index are those of the truth."""
    played = exponential(1.0, 100.0, 20e3, rise=0.02, fall=0.01)
    source = radial_cap(0.09, 0.7)
    tables = {"rig": {"mounting": "sphere"}}
    path = write_sweeps(
        tmp_path,
        source,
        played,
        noise_db=-50.0,
        tables=tables,
        off_axis_deg=range(-170, 181, 10),
        azimuth_deg=(0.0,),
        symmetry="round",
    )
    found = assemble(read_session(path))
    frequency, valid = found.directivity.observation.frequency, found.directivity.valid
    # The fade reaches 6 dB 5 ms before the end: 20 kHz exp(-0.005 ln 200) = 19.5 kHz, and nothing is lost below.
    assert np.all(valid[frequency < 19e3])
    assert found.findings["sweep"]["to_hz"] == pytest.approx(19.5e3, rel=0.02)
    turntable = found.findings["turntable"]["horizontal"]
    assert abs(turntable["sideways_mm"]) < 0.5
    assert not turntable["sideways_corrected"]
    assert found.findings["faults"] == []
    travel = RIG.distance / SPEED
    assert found.findings["gate"]["arrival_ms"] == pytest.approx(
        1e3 * (RIG.delay + travel), abs=0.1
    )  # the driver's own delay
    truth = cap_index(2.0 * np.pi * frequency * 0.09 / SPEED, half_angle=0.7, motion="radial")
    sure = valid & (frequency < 8e3)
    # Zones of ten degrees, and noise 50 dB down.
    np.testing.assert_allclose(directivity_index(found.directivity)[sure], truth[sure], atol=0.1)


def test_what_the_sweep_does_not_excite_is_not_trusted(tmp_path):
    played = exponential(1.0, 100.0, 8e3, rise=0.02, fall=0.01)
    few = {"off_axis_deg": (0, 30, 60, 90), "azimuth_deg": (0.0,), "symmetry": "round"}
    found = assemble(read_session(write_sweeps(tmp_path, point, played, **few))).directivity
    frequency = found.observation.frequency
    assert np.all(found.valid == (frequency < 7.9e3))
    stated = {"files": {"sweep_from_hz": 150.0, "sweep_to_hz": 5000.0}}
    path = write_sweeps(tmp_path / "stated", point, played, tables=stated, **few)
    found = assemble(read_session(path)).directivity
    assert np.all(found.valid == (frequency <= 5000.0))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"sweep_from_hz": 5000.0, "sweep_to_hz": 500.0}, "sweep_from_hz = 5000: must be below sweep_to_hz = 500"),
        ({"sweep_from_hz": -3.0}, "sweep_from_hz"),
    ],
)
def test_a_band_that_cannot_be_is_refused(tmp_path, change, message):
    played = exponential(0.3, 100.0, 8e3, rise=0.02, fall=0.01)
    path = write_sweeps(
        tmp_path, point, played, tables={"files": change}, off_axis_deg=(0, 90), azimuth_deg=(0.0,), symmetry="round"
    )
    with pytest.raises(InputError, match=message):
        read_session(path)


def test_a_wrong_reference_stops_the_run_and_says_why(tmp_path):
    played = exponential(0.5, 100.0, 20e3, rise=0.02, fall=0.01)
    few = {"off_axis_deg": (-20, 0, 20, 40), "azimuth_deg": (0.0,), "symmetry": "round"}
    path = write_sweeps(tmp_path, point, played, **few)
    soundfile.write(tmp_path / "reference.wav", np.random.default_rng(2).normal(size=24000) * 0.1, RATE)
    with pytest.raises(InputError, match=r"turn_\+0\.wav: no arrival: .*reference is the sweep that was played"):
        assemble(read_session(path))


def test_an_axis_that_is_not_of_the_run_stops_it(tmp_path):
    few = {"off_axis_deg": (-20, 0, 20, 40), "azimuth_deg": (0.0,), "symmetry": "round"}
    path = write_session_files(tmp_path, point, rig=RIG, **few)
    late = impulse(point, SyntheticRig(samples=2048, delay=9e-3), azimuth=0.0, off_axis=0.0)
    write_wav(tmp_path / "turn_+0.wav", late, RATE)
    with pytest.raises(InputError, match=r"turn_\+0\.wav: an arrival at .* cannot be right: in most other readings"):
        assemble(read_session(path))


def test_an_axis_beyond_everything_that_sounds_stops_the_run(tmp_path):
    """All arrivals of one side late, as with a recorder that starts anew: 140 mm aside, beyond any mouth."""
    rig = SyntheticRig(samples=2048, centre=(0.14, 0.0))
    path = write_session_files(
        tmp_path, point, rig=rig, off_axis_deg=range(-180, 180, 10), azimuth_deg=(0.0,), symmetry="round"
    )
    with pytest.raises(InputError, match=r"axis stands 1[34]\d mm aside of the turntable's: must be within 100 mm"):
        assemble(read_session(path))


@pytest.mark.parametrize(("share", "hum"), [(0.01, 0.0), (0.01, 0.02), (0.0, 0.02)])
def test_distortion_is_told_where_it_stands_above_its_floor(tmp_path, share, hum):
    """x + s x^2 of a sine of amplitude a: the second harmonic is s a / 2 of the first (cos^2 = (1 + cos 2) / 2)."""
    played = exponential(2.0, 100.0, 20e3, rise=0.02, fall=0.01)
    path = write_sweeps(
        tmp_path,
        point,
        played,
        squared=share,
        hum=hum,
        noise_db=-30.0,
        off_axis_deg=(0, 90),
        azimuth_deg=(0.0,),
        symmetry="round",
    )
    found = assemble(read_session(path)).findings["distortion"]
    second, third = found["harmonic_2"], found["harmonic_3"]
    assert third["told_at"] == 0  # there is none
    assert third["greatest_db"] is None
    if not share:
        assert second["told_at"] == 0
        return
    assert 0 < second["told_at"] <= second["of"]
    # -46 dB, times what the invented driver does to f and 2 f; what is told stands 10 dB above the noise: 1 dB rms or
    # so, and the greatest of twenty is the one that noise has raised most.
    at = np.array([second["at_hz"], 2.0 * second["at_hz"]])
    exciting, harmonic = amplitude_db(np.abs(driver(at)))
    assert second["greatest_db"] == pytest.approx(amplitude_db(share / 2) + harmonic - exciting, abs=2.0)
    assert second["floor_median_db"] < amplitude_db(share / 2) - 3.0
