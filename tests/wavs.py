"""Sound files for the tests to read."""

from __future__ import annotations

import io
from pathlib import Path

import soundfile
from numpy.typing import ArrayLike


def write_wav(path: Path, samples: ArrayLike, sample_rate: int, *, subtype: str = "DOUBLE") -> None:
    """Left to the system as soon as it is made: soundfile itself waits for the disk, longer than all else takes."""
    held = io.BytesIO()
    soundfile.write(held, samples, sample_rate, format="WAV", subtype=subtype)
    # A file that is overwritten is waited for, too.
    path.unlink(missing_ok=True)
    path.write_bytes(held.getvalue())
