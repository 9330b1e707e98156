"""Capture with a card that never was: what it records is what was known, and every step is asked for. Invented data."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.linalg import solve_toeplitz
from scipy.signal import correlate, hilbert

from commandline import contents, said
from evenflare.commands.capturing import Capture, Channels, Sweep
from evenflare.measurement import sound_card
from evenflare.measurement.assemble import assemble
from evenflare.measurement.deconvolve import deconvolver
from evenflare.measurement.excitation import exponential_sweep, levels
from evenflare.measurement.loopback import begun_at, found_in
from evenflare.measurement.session import read_session
from evenflare.metrics import levels_re_on_axis
from evenflare.units import DEGREE, amplitude_db
from field_rigs import radial_cap
from synthetic_rig import SyntheticRig, impulse
from virtual_card import CARD, VirtualCard

RIG = SyntheticRig(samples=2048, gain=2.0)
SOURCE = radial_cap(0.09, 0.7)
ANGLES = [-40, -20, 0, 20, 40]
SESSION = f"""
[rig]
distance_m = {RIG.distance}
source_height_m = {RIG.source_height}
microphone_height_m = {RIG.microphone_height}
temperature_c = 16
humidity_percent = 70
mounting = "sphere"
[files]
kind = "sweep"
reference = "sweep.wav"
horizontal = "turn_{{off_axis_deg}}.wav"
symmetry = "round"
[analysis]
from_hz = 400
to_hz = 12000
per_octave = 3
[plan]
horizontal_deg = {ANGLES}
"""
SHORT = Sweep(200.0, 20e3, duration=0.3, fade_in=0.02, fade_out=0.01, level=-12.0)
WIRED = Channels(loopback=2)


class Table:
    """A turntable with that source on it, and the card; it stands where it was turned to."""

    def __init__(self, **card) -> None:
        self.angle = 0.0
        self.card = VirtualCard(lambda: impulse(SOURCE, RIG, azimuth=0.0, off_axis=self.angle), noise=1e-4, **card)


@pytest.fixture
def session(tmp_path) -> Path:
    (tmp_path / "field").mkdir()
    path = tmp_path / "field" / "session.toml"
    path.write_text(SESSION)
    return path


def capture(path: Path, *, sweep: Sweep | None = SHORT, channels: Channels = WIRED) -> Capture:
    return Capture(path, sweep=sweep, channels=channels, tail=0.2)


def test_the_sweep_rises_exponentially_within_its_fades():
    sweep = exponential_sweep(2.0, 100.0, 10e3, fade_in=0.1, fade_out=0.05, sample_rate=48000.0)
    assert sweep.size == 96000
    assert np.abs(sweep).max() == pytest.approx(1.0, abs=1e-3)  # a crest between two samples
    assert sweep[0] == sweep[-1] == 0.0
    # Instantaneous frequency f1 (f2 / f1)^(t / T), Farina 2000; by the analytic signal, away from the ends.
    turned = np.unwrap(np.angle(hilbert(sweep)))
    time = np.array([0.5, 1.0, 1.5])
    index = np.round(time * 48000.0).astype(int)
    told = (turned[index + 200] - turned[index - 200]) / (2.0 * np.pi * 400 / 48000.0)
    np.testing.assert_allclose(
        told, 100.0 * 100.0 ** (time / 2.0), rtol=2e-3
    )  # mean over 8 ms, and the transform's own
    assert levels(-40.0, -12.0) == [-40.0, -30.0, -20.0, -12.0]
    assert levels(-40.0, -50.0) == [-50.0]


@pytest.mark.parametrize("wired", [True, False])
def test_what_was_captured_measures_as_what_was_known(session, wired):
    """Loopback: the card's delay changes from take to take and its converters colour the sound; both go."""
    table = Table(delays=(700, 655, 731, 698, 1204) if wired else (700,))
    taking = capture(session, channels=WIRED if wired else Channels())
    for place in list(taking.wanted):
        table.angle = place[1]
        verdict = taking.take(table.card, place)
        assert verdict.good, verdict.words
    assert taking.pending() == []
    found = assemble(read_session(session)).directivity
    frequency, angle = found.observation.frequency, found.observation.off_axis
    grid = np.fft.rfftfreq(RIG.samples, 1.0 / RIG.sample_rate)
    true = np.array([SOURCE(grid, 0.0, a) for a in angle])
    expected = amplitude_db(np.abs([np.interp(frequency, grid, np.abs(each)) for each in true]))
    difference = levels_re_on_axis(found)[:, 0] - (expected - expected[np.argmin(np.abs(angle))]).T
    # The gate cuts off at 11 ms, the noise lies 60 dB down: hundredths of a dB.
    assert found.valid.sum() > 10
    assert np.abs(difference[found.valid]).max() < 0.1
    # One delay for all, whenever the card began.
    arrivals = [np.argmax(np.abs(record(session, f"turn_{a}"))) for a in ANGLES]
    known = [np.argmax(np.abs(impulse(SOURCE, RIG, azimuth=0.0, off_axis=a * DEGREE))) for a in ANGLES]
    assert np.ptp(np.subtract(arrivals, known)) <= 1  # the sample next to a peak between two


def record(session: Path, name: str) -> np.ndarray:
    played, rate = soundfile.read(session.parent / "sweep.wav")
    heard, _ = soundfile.read(session.parent / f"{name}.wav")
    return deconvolver(played, sample_rate=rate)(heard).samples


@pytest.mark.parametrize("wired", [True, False])
def test_a_second_deconvolution_gives_the_known_response(session, wired):
    """Least squares in time (normal equations of a Toeplitz matrix, by scipy), no spectrum divided anywhere."""
    table = Table()
    taking = capture(session, channels=WIRED if wired else Channels())
    taking.take(table.card, next(place for place in taking.wanted if place[1] == 0.0))
    played, _ = soundfile.read(session.parent / "sweep.wav")
    heard, _ = soundfile.read(session.parent / "turn_0.wav")
    count = 3072
    own = correlate(played, played, method="fft")[played.size - 1 :][:count]
    cross = correlate(heard[: played.size + count], played, method="fft")[played.size - 1 :][:count]
    own[0] *= 1.0 + 1e-5  # the band that no sweep excites: 50 dB below where it does
    other = solve_toeplitz(own, cross)
    known = impulse(SOURCE, RIG, azimuth=0.0, off_axis=0.0)
    # The gain of the loopback, whose delay and colour are in both; without one the card's own.
    known = known / 0.5 if wired else np.convolve(np.concatenate([np.zeros(700), known]), CARD)
    frequency = np.fft.rfftfreq(8192, 1.0 / 48000.0)
    band = (frequency > 400.0) & (frequency < 15e3)
    wanted, got, ours = (
        np.abs(np.fft.rfft(each, 8192))[band] for each in (known, other, record(session, "turn_0")[:count])
    )
    # Noise of 1e-4 against some 0.1 at the input; what is cut off or folded at the ends of the records.
    assert np.abs(amplitude_db(got / wanted)).max() < 0.2
    assert np.abs(amplitude_db(ours / wanted)).max() < 0.2
    lag = int(np.argmax(correlate(other, known, method="fft"))) - known.size + 1
    assert lag == 0


def test_a_sound_is_found_to_the_sample_whatever_its_sign_and_level():
    sound = exponential_sweep(0.1, 200.0, 10e3, fade_in=0.01, fade_out=0.01, sample_rate=48000.0)
    later = np.concatenate([np.zeros(1234), -0.25 * sound, np.zeros(500)])
    found = found_in(later, sound)
    assert (found.first, round(found.alike, 6)) == (1234, -1.0)
    assert found.louder == pytest.approx(20.0 * np.log10(0.25), abs=1e-6)
    assert begun_at(np.arange(4.0), 2).tolist() == [2.0, 3.0]
    assert begun_at(np.arange(2.0), -2).tolist() == [0.0, 0.0, 0.0, 1.0]


def test_a_bad_take_is_told_and_a_useless_one_is_not_kept(session):
    table = Table(edit={1: lambda x: -x, 3: lambda x: 100.0 * x}, lost=frozenset({4}))
    taking = capture(session)
    places = list(taking.wanted)
    table.angle = places[0][1]
    assert taking.take(table.card, places[0]).good
    table.angle = places[1][1]
    assert taking.take(table.card, places[1]).words.startswith(
        "inverted, repeat it: of the opposite polarity to turn_-40"
    )
    assert taking.pending() == places[1:]
    assert taking.is_there(places[1])
    assert taking.take(table.card, places[1]).good  # in the place of the bad one
    assert taking.take(table.card, places[2]).words.startswith("flat at full scale")
    before = contents(session.parent)
    assert taking.take(table.card, places[2]).words == "the card lost samples, repeat it: close other programs"
    table.card.back = lambda x: 0.4 * x
    assert "the loopback is -1.9 dB from the reference" in taking.take(table.card, places[2]).words  # 20 log10 0.8
    table.card.back = lambda x: -0.5 * x
    assert "comes back inverted" in taking.take(table.card, places[2]).words
    table.card.back = np.zeros_like
    assert "does not bring the sweep back" in taking.take(table.card, places[2]).words
    assert contents(session.parent) == before
    assert taking.summary()[0] == "2 good, 2 of 5 to go"


def test_nothing_is_left_of_a_first_take_without_a_loopback_signal(session):
    table = Table(back=np.zeros_like)
    taking = capture(session)
    assert "does not bring the sweep back" in taking.take(table.card, next(iter(taking.wanted))).words
    assert set(contents(session.parent)) == {"session.toml"}


def test_levels_rise_and_none_is_played_that_would_overload(session):
    table = Table()
    taking = capture(session)
    assert taking.levels == [-40.0, -30.0, -20.0, -12.0]
    fits, words = taking.try_level(table.card, -40.0, -30.0)
    assert fits
    assert amplitude_db(np.abs(table.card.played[-1]).max()) == pytest.approx(-40.0, abs=0.1)  # a crest between samples
    assert re.match(r"At -40 dB: the microphone's input peaks at -\d+ dB of full scale, the sound stands \d+ dB", words)
    table.card.heard = lambda: 20.0 * impulse(SOURCE, RIG, azimuth=0.0, off_axis=0.0)
    loud = amplitude_db(np.abs(np.convolve(table.card.played[-1], table.card.heard())).max())
    fits, words = taking.try_level(table.card, -40.0, -40.0 - loud)
    assert not fits
    assert "would overload it: turn its gain down by " in words
    fits, words = taking.try_level(table.card, -12.0, None)
    assert not fits
    assert words.endswith(
        "flat at full scale, the input was overloaded. Turn the microphone's gain down, play it again"
    )
    table.card.heard = lambda: np.zeros(4)
    table.card.noise = 0.0
    assert taking.try_level(table.card, -40.0, -30.0) == (
        False,
        "At -40 dB: nothing at all from the microphone. Check cable, channel and supply",
    )


@pytest.fixture
def terminal(monkeypatch):
    """terminal(answers, table): a user at a terminal, who turns the table to where he is asked to."""

    def begin(answers: list[str], table: Table, *, interrupt: bool = False) -> None:
        left = iter(answers)

        class Typing(io.StringIO):
            def isatty(self) -> bool:
                return True

            def readline(self, *_) -> str:
                asked = re.findall(r"horizontal ([+-]?\d+) degrees(?: again)?: turn there", sys.stdout.getvalue())
                if asked:
                    table.angle = float(asked[-1]) * DEGREE
                answer = next(left, None)
                if answer is None and interrupt:
                    raise KeyboardInterrupt
                return "" if answer is None else f"{answer}\n"

        monkeypatch.setattr(sys, "stdin", Typing())
        monkeypatch.setattr(sound_card, "sound_card", lambda device: table.card)

    return begin


LINE = "capture {} --from-hz 200 --seconds 0.3 --fade-in-ms 20 --tail-ms 200 --loopback-channel 2"


def test_a_whole_session_by_question_and_answer(capsys, session, terminal):
    table = Table(edit={5: lambda x: -x})
    # Cautions, four levels, -40, an answer that is none, -20 inverted, again, repeat it once more for practice, stop.
    terminal(["maybe", "yes", "", "", "", "", "", "what", "", "", "r", "q"], table)
    code, out, err = said(capsys, LINE.format(session))
    assert (code, err) == (0, "")
    assert out.index("Local codes") < out.index("Loud signals") < out.index("Type yes") < out.index("At -40 dB")
    assert "turn_-20: inverted, repeat it: of the opposite polarity to turn_-40" in out
    assert "horizontal -20 degrees again: turn there. Enter records it, q stops, k keeps the one that is there" in out
    assert "horizontal 0 degrees: turn there. Enter records it, q stops, r repeats horizontal -20 degrees" in out
    assert out.endswith("2 good, 3 of 5 to go\n")
    peaks = [amplitude_db(np.abs(each).max()) for each in table.card.played]
    assert peaks == pytest.approx([-40.0, -30.0, -20.0, -12.0, *[-12.0] * 4], abs=0.1)  # crests between samples

    # The same command goes on, with the sweep that is there.
    terminal(["yes", "", "", "", "", "", "", ""], table)
    assert said(capsys, LINE.format(session))[0] == 2
    terminal(["yes", "", "", "", "", "", "", ""], table)
    code, out, err = said(capsys, f"capture {session.parent} --tail-ms 200 --loopback-channel 2")
    assert (code, err) == (0, "")
    assert "Readings: 5; 2 are there" not in out
    assert "2 of 5 are there and good" in out
    assert out.endswith(f"all 5 are there and good. Next: evenflare measure {session} --out measured\n")
    code, out, _ = said(capsys, f"capture {session} --loopback-channel 2 --yes")
    assert code == 0
    assert "all 5 are there and good" in out
    # The files go by the plan, and the session says nothing of the sweep that was sent.
    names = {"session.toml", "sweep.wav", "sweep_played.wav", *(f"turn_{a}.wav" for a in ANGLES)}
    assert set(contents(session.parent)) == names
    assert not any("not read" in each for each in read_session(session).assumed)


def test_ctrl_c_keeps_what_was_recorded(capsys, session, terminal):
    table = Table()
    terminal(["yes", "", "", "", "", ""], table, interrupt=True)
    code, out, err = said(capsys, LINE.format(session))
    assert code == 130
    assert out.endswith("1 good, 4 of 5 to go\n")
    assert err == "interrupted; what was recorded is kept, the same command goes on\n"
    assert (session.parent / "turn_-40.wav").exists()


def test_a_script_takes_one_reading_after_another(capsys, session, monkeypatch):
    table = Table(edit={5: lambda x: -x})
    monkeypatch.setattr(sound_card, "sound_card", lambda device: table.card)
    table.angle = ANGLES[0] * DEGREE
    code, out, err = said(capsys, f"{LINE.format(session)} --yes")
    assert (code, err) == (0, "")
    assert len(table.card.played) == 5  # four levels
    assert "turn_-40: good, " in out
    table.angle = ANGLES[1] * DEGREE
    again = f"capture {session} --tail-ms 200 --loopback-channel 2 --yes"
    assert said(capsys, again)[0] == 1
    assert said(capsys, again)[0] == 0
    assert len(table.card.played) == 7


@pytest.mark.parametrize(
    ("edit", "more", "words"),
    [
        (lambda t: t, "", "standard input is no terminal, and capture asks before every sound. Run it in a terminal"),
        (lambda t: t.replace('"sweep"\nref', '"impulse_response"\n#'), "", 'must be "sweep", which capture plays'),
        (lambda t: t.partition("[plan]")[0], "", "[plan]: missing, and without it nobody knows which angles to take"),
        (lambda t: t.replace("deg}.wav", "deg}.flac"), "", "turn_-40.flac: must end in .wav"),
        (lambda t: t.replace("[plan]", "[plan]\nrepeats = 2"), "", "horizontal must tell repeats apart"),
        (lambda t: t.replace("-40, -20", "-20, -40"), "", "value 2 is -40 after -20: must rise from each to the next"),
        (lambda t: t + "vertical_deg = [0]", "", "[plan] vertical_deg: no vertical in [files] names such readings"),
        (lambda t: t.replace("-40,", "-240,"), "", "horizontal_deg"),
        (lambda t: t, "--to-hz 30000", "--from-hz 200 and --to-hz 30000: must rise, to at most half of --sample-rate"),
        (lambda t: t, "--level-db 3", "--level-db 3: must be -80 to 0. Correct it"),
        (lambda t: t, "--start-db 0", "--start-db 0: must be -80 to -20. Correct it"),
        (lambda t: t, "--fade-out-ms 400", "--seconds 0.3: must hold both fades"),
        (lambda t: t, "--input-channel 2", "--loopback-channel 2: is the microphone's too"),
    ],
)
def test_what_cannot_be_is_told_before_anything_sounds(capsys, session, monkeypatch, edit, more, words):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    session.write_text(edit(SESSION))
    code, _, err = said(capsys, f"{LINE.format(session)} {more}")
    assert code == 2
    assert words in err
    assert set(contents(session.parent)) == {"session.toml"}


def test_the_lowest_frequency_must_be_stated(capsys, session):
    for line in (f"capture {session}", f"capture {session} --seconds 2"):
        code, _, err = said(capsys, line)
        assert code == 2
        assert "--from-hz: missing" in err
        assert "the lowest frequency that the driver may be played at" in err


def test_a_loopback_is_there_from_first_to_last(capsys, session):
    table = Table()
    taking = capture(session, channels=Channels())
    taking.take(table.card, next(iter(taking.wanted)))
    code, _, err = said(capsys, f"capture {session} --loopback-channel 2 --rehearse")
    assert code == 2
    assert "was begun without a loopback. Leave --loopback-channel out" in err


def test_a_rehearsal_plays_nothing_and_needs_no_card(capsys, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    place = "--source-height-m 3 --microphone-height-m 3 --distance-m 2 --mouth-mm 240"
    assert said(capsys, f"plan {place} --sweep --repeats 2 --half --out {tmp_path / 'plan'}")[0] == 0
    code, out, err = said(capsys, f"capture {tmp_path / 'plan'} --from-hz 800 --rehearse")
    assert (code, err) == (0, "")
    assert "Sweep: 4 s at 48000 samples a second, -12 dB of full scale" in out
    assert "Readings: 110; 0 of 110 are there and good" in out
    assert "To take: horizontal 0, 0 (repeat 2), +10, +10 (repeat 2) and 34 more; vertical -170, " in out
    code, _, err = said(capsys, f"capture {tmp_path / 'plan'} --from-hz 800 --yes")
    assert code == 2
    assert "pip install 'evenflare[capture]'" in err
    assert said(capsys, "capture --devices")[0] == 2
