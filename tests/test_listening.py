"""What can be listened to: loudness by its own check signal, levels that match, and files that others read."""

import json

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve

from commandline import said
from evenflare.bands import band_edges
from evenflare.report.kit import canvas
from evenflare.room.impulse import RoomImpulse
from evenflare.room.interference import band_means
from evenflare.room.paths import fine_bands, in_thirds
from evenflare.studies.listening import LOUDEST, SeatImpulses, matched, rendered
from evenflare.studies.listening_sounds import SOUNDS, pink_noise
from evenflare.studies.loudness import RATE, loudness
from evenflare.units import REFERENCE_PRESSURE, power_db
from room_shared import ROOM, forward, pattern, stored
from test_cli_room import table

SECOND = """[second_source]
position_m = [0.6, 3.0, 1.0]
yaw_deg = -30
"""


def test_a_sine_at_full_scale_has_the_loudness_of_the_recommendation():
    sine = np.sin(2 * np.pi * 997.0 * np.arange(3 * RATE) / RATE)
    # -3.01 LKFS of 997 Hz at full scale in one channel: ITU-R BS.1770-4, annex 1.
    assert loudness(sine[None]) == pytest.approx(-3.01, abs=0.01)
    assert loudness(np.array([sine, sine])) == pytest.approx(0.0, abs=0.01)
    # A pause is gated, it does not make it quieter; a block that straddles its edge counts a little.
    paused = np.concatenate([sine, np.zeros(6 * RATE)])
    assert loudness(paused[None]) == pytest.approx(-3.01, abs=0.3)
    assert loudness(np.zeros((1, RATE))) == -np.inf


def test_the_weighting_is_that_of_a_head_above_and_of_a_high_pass_below():
    levels = {f: loudness(np.sin(2 * np.pi * f * np.arange(RATE) / RATE)[None]) for f in (40.0, 997.0, 8000.0)}
    # 4 dB of the shelf less what 997 Hz has of it: 3.3 dB; the high pass (38 Hz, q 0.5) takes 5 to 7 dB at 40 Hz.
    assert levels[8000.0] - levels[997.0] == pytest.approx(3.3, abs=0.15)
    assert -8.0 < levels[40.0] - levels[997.0] < -5.0


def test_our_sounds_are_as_they_say():
    noise = pink_noise()
    f = np.fft.rfftfreq(noise.size, 1.0 / RATE)
    power = np.abs(np.fft.rfft(noise)) ** 2
    octaves = [power[(f >= low) & (f < 2 * low)].sum() for low in (62.5, 250.0, 1000.0, 4000.0)]
    # Equal power in every octave; the fades smear the lowest lines.
    assert np.ptp(power_db(np.array(octaves))) < 0.2
    for make in SOUNDS.values():
        samples = make()
        assert np.abs(samples).max() == pytest.approx(0.5)
        np.testing.assert_array_equal(samples, make())


def test_levels_are_matched_within_full_scale():
    noise = pink_noise(1.0)
    click = np.zeros(RATE)
    click[:: RATE // 4] = 1.0
    found = matched({"a": 3.0 * noise[None], "b": 0.1 * noise[None], "click": click[None], "none": np.zeros((1, RATE))})
    loud = [loudness(found[name].samples) for name in ("a", "b", "click")]
    assert np.ptp(loud) < 1e-6  # gates move with the level: rounding
    assert max(np.abs(each.samples).max() for each in found.values()) == pytest.approx(LOUDEST, rel=1e-6)
    assert found["a"].gain - found["b"].gain == pytest.approx(-20 * np.log10(30.0), abs=1e-6)
    assert not found["none"].samples.any()


def test_a_sound_is_convolved_with_what_the_seat_hears():
    random = np.random.default_rng(2)
    taps = random.standard_normal((2, 64))
    speakers = [RoomImpulse(np.fft.rfft(each)[None], np.zeros((1, 33), dtype=complex), RATE, 64) for each in taps]
    sound = random.standard_normal((2, 200))
    pair, one = SeatImpulses(tuple(speakers)), SeatImpulses((speakers[0],))
    wanted = sum(fftconvolve(each, own) for each, own in zip(sound, taps, strict=True))
    np.testing.assert_allclose(rendered(sound, pair, direct=True)[0, :263], wanted, atol=1e-12)
    np.testing.assert_allclose(
        rendered(sound, one, direct=False)[0, :263], fftconvolve(sound.mean(axis=0), taps[0]), atol=1e-12
    )
    both = fftconvolve(sound[0], taps.sum(axis=0))
    np.testing.assert_allclose(rendered(sound[:1], pair, direct=True)[0, :263], both, atol=1e-12)


@pytest.fixture(scope="module")
def furnished(tmp_path_factory):
    folder = tmp_path_factory.mktemp("listening")
    (folder / "room.toml").write_text(ROOM)
    (folder / "pair.toml").write_text(ROOM + SECOND)
    for name, made in (("one", pattern(forward)), ("two", pattern())):
        stored(folder / name, made, name=name)
    samples = np.random.default_rng(1).standard_normal((4410, 2))
    soundfile.write(folder / "song.wav", 0.1 * samples, 44100)
    soundfile.write(folder / "many.wav", 0.1 * np.ones((100, 3)), 44100)
    return folder


@pytest.fixture
def den(furnished, monkeypatch):
    monkeypatch.chdir(furnished)
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    return furnished


def test_impulse_responses_on_disk_have_the_levels_of_the_tables(capsys, den):
    code, out, _ = said(capsys, "room one two room.toml --out heard --listen plain --sound song.wav")
    assert code == 0
    assert "listening/listening.html" in out
    folder = den / "heard" / "listening"
    for letter, number in (("A", 1), ("B", 2)):
        stated = table(den / "heard" / f"seats_{'AB'.index(letter) + 1}.csv")
        own = stated["seat"] == number
        thirds = stated["frequency_hz"][own]
        low, high = band_edges(fine_bands(thirds), fraction=24)
        for end, column in (("", "steady_db"), ("_direct", "direct_db")):
            taps, rate = soundfile.read(folder / f"impulse_{letter}_seat_{number}{end}.wav")
            spectrum = np.fft.rfft(taps)
            level = power_db(in_thirds(band_means(spectrum, rate / taps.size, low, high)) / REFERENCE_PRESSURE**2)
            np.testing.assert_allclose(level, stated[column][own], atol=0.1)  # as promised
    record = json.loads((folder / "listening.json").read_text())
    assert record["designs"] == {"A": "one", "B": "two"}
    assert {each["file"] for each in record["sounds"]} == {path.name for path in folder.glob("sound_1_*.wav")}
    heard = {path.name: soundfile.read(path)[0] for path in folder.glob("sound_1_*.wav")}
    loud = [loudness(each.T[None] if each.ndim == 1 else each.T) for each in heard.values()]
    assert len(heard) == 8  # two seats, two designs, all of it and the direct sound
    assert np.ptp(loud) < 0.05  # 16 bits with dither
    page = (folder / "listening.html").read_text()
    assert "Start with the volume low" in page
    assert "song" in page


def test_both_loudspeakers_of_a_pair_are_heard_and_told_of(capsys, den):
    code, out, _ = said(capsys, "room one pair.toml --out both --listen --sound song.wav")
    assert code == 0
    assert "The image between both loudspeakers" in out
    record = json.loads((den / "both" / "room.json").read_text())["pairs"][0]
    assert [each["name"] for each in record["seats"]] == ["sofa", "seat 2"]
    assert table(den / "both" / "pair.csv")["seat"].max() == 2
    samples, _ = soundfile.read(den / "both" / "listening" / "sound_1_A_seat_1.wav")
    assert samples.shape[1] == 2  # ears
    assert (den / "both" / "listening" / "impulse_A_seat_1_second.wav").exists()
    assert "Two loudspeakers" in (den / "both" / "room.html").read_text()


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("--sound song.wav", "must come with --listen"),
        ("--listen --sound many.wav", "holds 3 channels: must be 1 or 2"),
        ("--listen --sound room.toml", "room.toml: is not a WAV file that can be read"),
        ("--listen --sound nowhere.wav", "nowhere.wav"),
    ],
)
def test_what_cannot_be_heard_is_refused_and_nothing_written(capsys, den, words, wanted):
    code, _, err = said(capsys, f"room one room.toml --out refused {words}")
    assert code == 2
    assert wanted in err
    assert not (den / "refused").exists()


def test_a_second_source_is_held_against_the_room(capsys, den):
    (den / "bad.toml").write_text(ROOM + SECOND.replace("[0.6, 3.0, 1.0]", "[0.6, 9.0, 1.0]"))
    code, _, err = said(capsys, "room one bad.toml --out refused")
    assert code == 2
    assert "[second_source] position_m" in err
    (den / "bad.toml").write_text(ROOM + SECOND.replace("[0.6, 3.0, 1.0]", "[0.6, 1.2, 1.0]"))
    code, _, err = said(capsys, "room one bad.toml --out refused")
    assert code == 2
    assert "must be 0.3 m at least" in err
