"""Sounds as WAV files, and what must not be taken for one."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenflare.files import InputError
from evenflare.measurement import wav
from evenflare.measurement.wav import read_wav
from readings import tried

PROPERTY = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
SAMPLES = np.round(np.sin(np.arange(64) / 3.0) * 0.9 * 2**15) / 2**15
"""Invented; exact in 16 bits."""


def fault(path, **more) -> str:
    with pytest.raises(InputError) as caught:
        read_wav(path, **more)
    assert str(caught.value).startswith(str(path))
    return str(caught.value)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("rate", [44100, 48000, 192000])
def test_samples_and_rate_of_every_format(tmp_path, subtype, rate):
    path = tmp_path / "a.wav"
    soundfile.write(path, SAMPLES, rate, subtype=subtype)
    samples, found = read_wav(path)
    assert found == rate
    assert np.array_equal(samples, SAMPLES)


def test_one_channel_of_several(tmp_path):
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([SAMPLES, -SAMPLES], axis=1), 48000)
    assert np.array_equal(read_wav(path, channel=2)[0], -SAMPLES)
    assert "holds 2 channels: must be 1. Name one, as in [files] channel = 1" in fault(path)
    assert "[files] channel = 3: must be 1 to 2" in fault(path, channel=3)


def test_missing_silent_and_empty_are_told(tmp_path):
    path = tmp_path / "a.wav"
    assert "cannot be read (No such file or directory)" in fault(path)
    soundfile.write(path, np.zeros(64), 48000)
    assert "is silent, every sample is 0" in fault(path)
    soundfile.write(path, np.zeros(0), 48000)
    assert "holds 0 samples: must be 2 at least" in fault(path)
    path.write_bytes(b"")
    assert "is not a WAV file that can be read" in fault(path)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_sample_that_is_no_number_is_named(tmp_path, bad):
    path = tmp_path / "a.wav"
    samples = SAMPLES.copy()
    samples[10] = bad
    soundfile.write(path, samples, 48000, subtype="FLOAT")
    assert f"{path} sample 11: {bad}: must be a number" in fault(path)


def test_file_cut_short_is_told_not_filled_up(tmp_path):
    path = tmp_path / "a.wav"
    soundfile.write(path, SAMPLES, 48000, subtype="PCM_16")
    whole = path.read_bytes()
    path.write_bytes(whole[:-40])
    assert "has 132 of 172 bytes, the end is missing. Copy or export it again" in fault(path)


def test_huge_file_is_refused_before_it_is_read(tmp_path, monkeypatch):
    path = tmp_path / "a.wav"
    soundfile.write(path, SAMPLES, 48000)
    monkeypatch.setattr(wav, "LONGEST", 32)
    assert "holds 64 samples: must be at most 32" in fault(path)


@PROPERTY
@given(st.binary(max_size=200), st.sampled_from([b"", b"RIFF\x40\x00\x00\x00WAVE", b"RIFF\x40\x00\x00\x00WAVEfmt "]))
def test_whatever_stands_there_is_read_or_told(tmp_path, content, start):
    path = tmp_path / "a.wav"
    path.write_bytes(start + content)
    found, words = tried(read_wav, path)
    if found is None:
        assert words.startswith(str(path))
        return
    samples, rate = found
    assert np.all(np.isfinite(samples))
    assert rate > 0.0


@PROPERTY
@given(st.integers(0, 171), st.integers(0, 255))
def test_one_wrong_byte_is_read_or_told(tmp_path, place, value):
    path = tmp_path / "a.wav"
    soundfile.write(path, SAMPLES, 48000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[place] = value
    path.write_bytes(content)
    found, words = tried(read_wav, path)
    if found is None:
        assert words.startswith(str(path))
        return
    samples, _ = found
    assert np.all(np.isfinite(samples))
