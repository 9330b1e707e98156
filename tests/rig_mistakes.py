"""A run of readings from the front, and what went wrong with some of them. Invented data; the source in closed form."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from field_rigs import radial_cap
from synthetic_rig import SyntheticRig, write_session_files
from wavs import write_wav

ANGLES = [angle for angle in range(-90, 91, 10) if angle != 50]
CAP = radial_cap(0.09, 0.7)
NOISY = SyntheticRig(samples=2048, noise_db=-60.0)
MISTAKES = {
    "turn_+20.wav": lambda x: -x,
    "turn_-40.wav": lambda x: np.concatenate([np.zeros(24), x[:-24]]),
    "turn_-60.wav": lambda x: 1.5 * x,
}


def session(folder: Path, *, mistakes: Mapping[str, Any] | None = None, rig: SyntheticRig = NOISY, **more: Any) -> Path:
    """A cap on a sphere in one plane from the front; each of `mistakes` is what becomes of a file's samples."""
    more = {"off_axis_deg": ANGLES, "azimuth_deg": (0.0,), "symmetry": "round", **more}
    tables = {"analysis": {"from_hz": 300, "to_hz": 8000, "per_octave": 6}, "rig": {"mounting": "sphere"}}
    path = write_session_files(folder, CAP, rig=rig, tables=tables, **more)
    for name, edit in (mistakes or {}).items():
        samples, rate = soundfile.read(folder / name)
        write_wav(folder / name, edit(samples), rate)
    return path
