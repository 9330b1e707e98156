"""`evenflare equalise` as a user gives it: what it writes, what it says, and what it refuses."""

from __future__ import annotations

import csv
import json
import warnings
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from commandline import asked, contents, said
from evenflare.dsp.filters_file import read_equaliser
from evenflare.results import tables
from evenflare.units import amplitude_db
from reports import piston

BAND = "--from-hz 1000 --to-hz 10000"
QUICK = f"{BAND} --sample-rate-hz 48000 --sections 4"


@pytest.fixture(scope="module")
def solved(tmp_path_factory) -> Path:
    """What `solve` writes, of a piston in closed form."""
    folder = tmp_path_factory.mktemp("piston") / "solved"
    provenance = {"mounting": "baffle"}
    tables.write_solution(folder, piston(), name="piston (invented)", design_id="0123456789ab", provenance=provenance)
    return folder


@pytest.fixture(scope="module")
def whole(solved, tmp_path_factory):
    """Everything, at all sample rates: (exit code, output, folder)."""
    from evenflare.cli import run

    folder = tmp_path_factory.mktemp("filters") / "out"
    code = run(["equalise", str(solved), "--out", str(folder), *f"{BAND} --high-pass-hz 900 --fir-ms 20".split()])
    return code, folder


def table(path: Path) -> dict[str, np.ndarray]:
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def test_it_writes_what_it_names(whole) -> None:
    code, folder = whole
    assert code == 0
    assert {path.name for path in folder.iterdir()} == {
        *("equaliser.json", "coefficients.csv", "equalised_curves.csv", "equaliser.html"),
        *("equalised.png", "headroom.png", "fir.png", "group_delay.png"),
        *(f"fir_{rate}.{kind}" for rate in (44100, 48000, 96000, 192000) for kind in ("wav", "txt")),
        "take_home",
    }


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_wav_read_back_and_convolved_gives_the_stated_curve(whole, rate) -> None:
    _, folder = whole
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        taps, found_rate = soundfile.read(folder / f"fir_{rate}.wav", dtype="float64")
    assert found_rate == rate
    assert taps.ndim == 1
    record = json.loads((folder / "equaliser.json").read_text())["fir"]["files"][str(rate)]
    assert (taps.size, record["latency_samples"]) == (record["taps"], (record["taps"] - 1) // 2)
    curves = table(folder / "equalised_curves.csv")
    at = curves["frequency_hz"].astype(float)
    inside = (at >= 1000.0) & (at <= 10000.0)
    # A tone of each frequency through the filter, once all taps are in; one second long so that it is settled.
    level = []
    for frequency in at[inside]:
        heard = signal.fftconvolve(np.exp(2j * np.pi * frequency * np.arange(rate // 4) / rate), taps)
        level.append(amplitude_db(np.abs(heard[taps.size : rate // 4]).mean()))
    stated = curves["fir_correction_db"].astype(float)[inside]
    # Stated at 192 kHz, and each within the band of its own; the window of 20 ms moves them by this much.
    np.testing.assert_allclose(np.array(level), stated, atol=0.1)


def test_what_is_taken_home_gives_the_stated_curves(whole) -> None:
    _, folder = whole
    home = folder / "take_home"
    exact, fixed, cost = (table(home / f"{name}.csv") for name in ("sections_float", "sections_fixed", "fixed_point"))
    record = json.loads((folder / "equaliser.json").read_text())
    names = ("b0", "b1", "b2", "a1", "a2")
    assert set(zip(cost["sample_rate_hz"], cost["word"], strict=True)) == {
        (str(rate), word) for rate in (44100, 48000, 96000, 192000) for word in ("Q1.23", "Q2.30", "Q5.23")
    }
    assert set(cost["saturated"]) == {"0"}
    for place, (rate, word) in enumerate(zip(cost["sample_rate_hz"], cost["word"], strict=True)):
        at = np.geomspace(20.0, 0.4999 * float(rate), 1000)
        own = exact["sample_rate_hz"] == rate
        rows = np.array([exact[name][own].astype(float) for name in names]).T
        wanted = amplitude_db(np.abs(signal.sosfreqz(np.insert(rows, 3, 1.0, axis=1), at, fs=float(rate))[1]) + 1e-30)
        # Both are the whole filter's greatest gain, one by scipy on a grid that may miss the top by this much.
        stated = record["headroom"]["rates"][rate]["sections"]["greatest_gain_db"]
        assert wanted.max() == pytest.approx(stated, abs=0.01)
        own = (fixed["sample_rate_hz"] == rate) & (fixed["word"] == word)
        scale = 2.0 ** (fixed["shift_bits"][own].astype(float) - int(word.split(".")[1]))
        rows = scale[:, None] * np.array([fixed[name][own].astype(float) for name in names]).T
        found = amplitude_db(np.abs(signal.sosfreqz(np.insert(rows, 3, 1.0, axis=1), at, fs=float(rate))[1]) + 1e-30)
        heard = wanted > wanted.max() - 40.0
        # Six decimals are written.
        assert np.abs(found - wanted)[heard].max() == pytest.approx(float(cost["departure_db"][place]), abs=2e-6)


def test_wav_to_take_home_has_a_plain_header_and_the_taps(whole) -> None:
    _, folder = whole
    home = folder / "take_home"
    shifts = table(home / "fir_fixed.csv")
    for rate, shift in zip(shifts["sample_rate_hz"], shifts["shift_bits"], strict=True):
        taps, _ = soundfile.read(folder / f"fir_{rate}.wav", dtype="float64")
        for name, code in ((f"fir_equaliser_{rate}", 3), (f"fir_equaliser_{rate}_pcm24", 1)):
            data = (home / f"{name}.wav").read_bytes()
            assert int.from_bytes(data[4:8], "little") == len(data) - 8
            assert data[12:16] == b"fmt "
            assert int.from_bytes(data[20:22], "little") == code
            read, found_rate = soundfile.read(home / f"{name}.wav", dtype="float64")
            assert found_rate == int(rate)
            # Half a step of 24 bits, times the shift; what is compared with is in 32-bit float.
            scale = 2.0 ** float(shift) if code == 1 else 1.0
            np.testing.assert_allclose(scale * read, taps, atol=scale * 2.0**-23)
        numbers = [int(x) for x in (home / f"fir_equaliser_{rate}_pcm24.txt").read_text().splitlines() if x[0] != "#"]
        np.testing.assert_array_equal(numbers, read * 2.0**23)


def test_text_and_wav_hold_the_same_taps(whole) -> None:
    _, folder = whole
    text = [float(line) for line in (folder / "fir_48000.txt").read_text().splitlines() if not line.startswith("#")]
    taps, _ = soundfile.read(folder / "fir_48000.wav", dtype="float64")
    np.testing.assert_allclose(text, taps, atol=1e-7)  # 32-bit float


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
def test_coefficients_filter_as_the_table_of_curves_says(whole, rate) -> None:
    _, folder = whole
    rows = table(folder / "coefficients.csv")
    own = rows["sample_rate_hz"] == str(rate)
    assert own.sum() <= 12
    values = np.array([rows[name][own].astype(float) for name in ("b0", "b1", "b2", "a1", "a2")]).T
    sections = np.insert(values, 3, 1.0, axis=1)  # scipy, too, subtracts a1 and a2
    curves = table(folder / "equalised_curves.csv")
    at = curves["frequency_hz"].astype(float)
    inside = (at >= 1000.0) & (at <= 10000.0)
    found = signal.sosfreqz(sections, at[inside], fs=rate)[1]
    stated = curves["correction_db"].astype(float)[inside]
    # Four decimals at 192 kHz; the other rates are fitted again, within what the header states.
    np.testing.assert_allclose(amplitude_db(found), stated, atol=1e-3 if rate == 192000 else 0.05)
    read = read_equaliser(folder)
    np.testing.assert_allclose(
        read.response(at[inside]),
        signal.sosfreqz(sections, at[inside], fs=rate)[1],
        atol=1e-9 if rate == 192000 else 0.2,
    )


def test_after_the_filter_the_axis_is_even(whole) -> None:
    _, folder = whole
    curves = table(folder / "equalised_curves.csv")
    at = curves["frequency_hz"].astype(float)
    inside = (at >= 1500.0) & (at <= 9000.0)  # off the band's ends
    assert np.ptp(curves["on_axis_db"].astype(float)[inside]) > 12.0  # 6 dB per octave over 2.6 octaves
    # The high-pass of fourth order is 1 / (1 + (900 / f)^4), its corner warped a little; the fit leaves a tenth.
    passing = -20.0 * np.log10(1.0 + (900.0 / at[inside]) ** 4)
    assert np.ptp(curves["equalised_on_axis_db"].astype(float)[inside] - passing) < 0.2


def test_sign_convention_is_stated_beside_the_coefficients(whole) -> None:
    _, folder = whole
    for name in ("coefficients.csv", "equaliser.json", "equaliser.html"):
        text = (folder / name).read_text()
        assert "a1 and a2 are subtracted" in text, name


@pytest.mark.usefixtures("unpainted")
def test_it_says_what_it_did(here, solved, capsys) -> None:
    code, out, _ = said(capsys, f"equalise '{solved}' --out f {QUICK} --fir mixed --fir-ms 20 --latency-ms 4")
    assert code == 0
    assert "Made even: on axis, flat from 1 kHz to 10 kHz" in out
    assert "Left alone: nothing" in out
    assert "mixed phase: 961 taps, latency 192 samples (4.00 ms)" in out
    assert "Greatest boost" in out


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (f"{BAND} --boost-db 3", "more than the 3 dB allowed. Allow more (--boost-db), narrow the band"),
        (f"{BAND} --sample-rate-hz 16000", "a sample rate of 16000 Hz cannot hold a filter up to 10000 Hz"),
        ("--from-hz 100 --to-hz 10000", "does not cover 100 to 10000 Hz"),
        ("--from-hz 5000 --to-hz 6000", "less than an octave"),
        (f"{BAND} --sections 2 --high-pass-hz 900", "leave none beside the high-pass"),
        (f"{BAND} --sections 0", "--sections 0: must be 1 to 40. Raise it"),
        (f"{BAND} --power-share 1.5", "--power-share 1.5: must be 0 to 1. Lower it"),
        (f"{BAND} --dip-db nan", "--dip-db nan: must be 0.1 to 60. Correct it"),
        (f"{BAND} --fir-ms 0.2", "--fir: a length of 0.2 ms"),
        (f"{BAND} --latency-ms 3", "--fir: a latency of 3 ms: of a linear phase"),
        (f"{BAND} --driver nothing.txt", "nothing.txt: cannot be read"),
        (f"{BAND} --driver design.toml", "design.toml: holds 0 frequencies"),
    ],
)
def test_what_is_at_fault_is_told_and_nothing_is_written(here, solved, capsys, line, words) -> None:
    (here / "f").mkdir()
    (here / "f" / "old.txt").write_text("kept")
    code, out, err = said(capsys, f"equalise '{solved}' --out f {line}")
    assert (code, out) == (2, "")
    assert words in err
    assert contents(here / "f") == {"old.txt": b"kept"}


def test_options_that_exclude_each_other_and_what_is_missing(here, solved, capsys) -> None:
    code, _, err = asked(capsys, f"equalise '{solved}' --out f --driver a --source b")
    assert code == 2
    assert "not allowed with" in err
    code, _, err = said(capsys, f"equalise nothing --out f {BAND}")
    assert code == 2
    assert "nothing: is not there" in err


def test_a_disk_that_refuses_leaves_nothing_half_written(here, solved, capsys, monkeypatch, unpainted) -> None:
    from evenflare.report.kit import canvas

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(canvas, "save", full)
    code, _, err = said(capsys, f"equalise '{solved}' --out f {QUICK}")
    assert code == 2
    assert "disk is full" in err
    assert contents(here / "f") == {}
