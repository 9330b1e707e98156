"""Sounds as WAV files: one channel's samples, whatever their format."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np

from evenflare.files import InputError, opened, replacing, short
from evenflare.units import FloatArray

LONGEST = 20_000_000
"""Samples: seven minutes at 48 kHz, far above any reading."""
MOST_CHANNELS = 64
BLOCK = 1 << 16
"""Samples read at a time, of which one channel is kept."""


def read_wav(path: Path, *, channel: int | None = None) -> tuple[FloatArray, float]:
    """Samples (N,), 1 at full scale, and sample rate, Hz.

    channel : from 1; None where the file must have one channel only.
    Errors: InputError if the file is missing, no such file, empty, too long, silent, lacks the channel, or holds values
            that are no numbers; it names the sample.
    """
    import soundfile

    _check_whole(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            _check_shape(path, file.frames, file.channels, channel)
            blocks = file.blocks(BLOCK, dtype="float64", always_2d=True)
            samples = np.concatenate([block[:, (channel or 1) - 1].copy() for block in blocks] or [np.zeros(0)])
            rate = float(file.samplerate)
    except (soundfile.SoundFileError, OSError, TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise _no_wav(path, error) from None
    bad = np.flatnonzero(~np.isfinite(samples))
    if bad.size:
        raise InputError(f"{path} sample {bad[0] + 1}: {samples[bad[0]]}: must be a number. Measure it again")
    if not np.any(samples):
        raise InputError(f"{path}: is silent, every sample is 0. Check the microphone, and measure it again")
    return samples, rate


def channels_of(path: Path) -> int:
    """How many channels a WAV file holds. InputError if it is missing or no such file."""
    import soundfile

    _check_whole(path)
    try:
        return int(soundfile.info(str(path)).channels)
    except (soundfile.SoundFileError, OSError) as error:
        raise _no_wav(path, error) from None


def write_wav(path: Path, samples: FloatArray, *, sample_rate: float, bits: Literal[16, 32] = 32) -> None:
    """Write samples (N,) or (C, N), 1 at full scale, whole or not at all. Errors as `replacing`.

    bits : 32 for floating point, 16 for integers, which whoever calls has dithered.
    """
    import soundfile

    subtype = {16: "PCM_16", 32: "FLOAT"}[bits]
    with replacing(path) as temporary:
        soundfile.write(str(temporary), samples.T, round(sample_rate), format="WAV", subtype=subtype)


def _no_wav(path: Path, error: Exception) -> InputError:
    what = short(" ".join(str(error).split()) or type(error).__name__)
    return InputError(f"{path}: is not a WAV file that can be read ({what}). Export it again")


def _check_whole(path: Path) -> None:
    """InputError if the file is shorter than it says: the library would pass over the missing end in silence."""
    with opened(path) as file:
        start = file.read(8)
        size = file.seek(0, 2)
    stated = int.from_bytes(start[4:8], "little") + 8
    # Recorders that cannot go back leave the size open; one byte is a padding that some leave out.
    if start[:4] == b"RIFF" and stated < 2**32 and stated > size + 1:
        raise InputError(f"{path}: has {size} of {stated} bytes, the end is missing. Copy or export it again")


def _check_shape(path: Path, frames: int, channels: int, channel: int | None) -> None:
    if frames < 2:
        raise InputError(f"{path}: holds {frames} samples: must be 2 at least. Export it again")
    if frames > LONGEST:
        raise InputError(f"{path}: holds {frames} samples: must be at most {LONGEST}. Cut it to the reading")
    if channels > MOST_CHANNELS:
        raise InputError(f"{path}: holds {channels} channels: must be at most {MOST_CHANNELS}. Export one of them")
    if channel is None and channels > 1:
        raise InputError(f"{path}: holds {channels} channels: must be 1. Name one, as in [files] channel = 1")
    if channel is not None and channel > channels:
        raise InputError(f"{path}: [files] channel = {channel}: must be 1 to {channels}. Name one that is there")
