"""Sounds as WAV files: one channel's samples, whatever their format."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from evenflare.files import InputError
from evenflare.units import FloatArray

LONGEST = 20_000_000
"""Samples: seven minutes at 48 kHz, far above any reading."""


def read_wav(path: Path, *, channel: int | None = None) -> tuple[FloatArray, float]:
    """Samples (N,), 1 at full scale, and sample rate, Hz.

    channel : from 1; None where the file must have one channel only.
    Errors: InputError if the file is missing, no such file, empty, too long, silent, lacks the channel, or holds values
            that are no numbers; it names the sample.
    """
    import soundfile

    if not path.is_file():
        raise InputError(f"{path}: cannot be read (no such file). Check the path")
    try:
        _check_whole(path)
        with soundfile.SoundFile(str(path)) as file:
            _check_shape(path, file.frames, file.channels, channel)
            samples = file.read(dtype="float64", always_2d=True)[:, (channel or 1) - 1]
            rate = float(file.samplerate)
    except (soundfile.SoundFileError, OSError, TypeError) as error:
        what = " ".join(str(error).split()) or type(error).__name__
        raise InputError(f"{path}: is not a WAV file that can be read ({what}). Export it again") from None
    bad = np.flatnonzero(~np.isfinite(samples))
    if bad.size:
        raise InputError(f"{path} sample {bad[0] + 1}: {samples[bad[0]]}: must be a number. Measure it again")
    if not np.any(samples):
        raise InputError(f"{path}: is silent, every sample is 0. Check the microphone, and measure it again")
    return samples, rate


def _check_whole(path: Path) -> None:
    """InputError if the file is shorter than it says: the library would pass over the missing end in silence."""
    with open(path, "rb") as file:
        start = file.read(8)
    stated, size = int.from_bytes(start[4:8], "little") + 8, path.stat().st_size
    # Recorders that cannot go back leave the size open; one byte is a padding that some leave out.
    if start[:4] == b"RIFF" and stated < 2**32 and stated > size + 1:
        raise InputError(f"{path}: has {size} of {stated} bytes, the end is missing. Copy or export it again")


def _check_shape(path: Path, frames: int, channels: int, channel: int | None) -> None:
    if frames < 2:
        raise InputError(f"{path}: holds {frames} samples: must be 2 at least. Export it again")
    if frames > LONGEST:
        raise InputError(f"{path}: holds {frames} samples: must be at most {LONGEST}. Cut it to the reading")
    if channel is None and channels > 1:
        raise InputError(f"{path}: holds {channels} channels: must be 1. Name one, as in [files] channel = 1")
    if channel is not None and channel > channels:
        raise InputError(f"{path}: [files] channel = {channel}: must be 1 to {channels}. Name one that is there")
