"""What is asked of the library that plays and records, a stand-in for which hears nothing. Invented data."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest

from commandline import said
from evenflare.measurement import sound_card


def library(**more) -> SimpleNamespace:
    """A stand-in for sounddevice as far as it is used."""
    status = SimpleNamespace(input_overflow=False, output_underflow=False, output_overflow=False)
    kept = {"PortAudioError": RuntimeError, "get_status": lambda: status, "query_devices": lambda: "0 a card", **more}
    return SimpleNamespace(**{"stop": lambda: None, **kept})


def test_the_card_is_asked_for_the_channels_and_falls_silent_after_an_interruption(monkeypatch):
    asked, stopped = {}, []

    def playrec(data, **more):
        asked.update(more, shape=data.shape, kind=data.dtype)
        return np.zeros((data.shape[0], 2), dtype=np.float32)

    monkeypatch.setitem(sys.modules, "sounddevice", library(playrec=playrec, stop=lambda: stopped.append(1)))
    taken = sound_card.sound_card("3").take(np.zeros(10), sample_rate=48000.0, output=2, inputs=(1, 4))
    assert taken.samples.shape == (10, 2)
    assert not taken.lost
    assert asked["output_mapping"] == [2]
    assert asked["input_mapping"] == [1, 4]
    assert (asked["device"], asked["samplerate"], asked["blocking"]) == (3, 48000, True)
    assert (asked["shape"], asked["kind"]) == ((10, 1), np.float32)

    def broken(data, **more):
        raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "sounddevice", library(playrec=broken, stop=lambda: stopped.append(2)))
    with pytest.raises(KeyboardInterrupt):
        sound_card.sound_card().take(np.zeros(10), sample_rate=48000.0, output=1, inputs=(1,))
    assert stopped[-1] == 2


def test_what_the_card_cannot_is_told(capsys, monkeypatch):
    def refuse(data, **more):
        raise RuntimeError("Invalid sample rate")

    monkeypatch.setitem(sys.modules, "sounddevice", library(playrec=refuse))
    with pytest.raises(sound_card.InputError, match="the sound card: Invalid sample rate. Name another with --device"):
        sound_card.sound_card("card").take(np.zeros(10), sample_rate=1.0, output=1, inputs=(1,))
    assert said(capsys, "capture --devices") == (0, "0 a card\n", "")
