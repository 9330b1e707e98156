"""What goes wrong in a recorder, told from the samples of a file."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.measurement.readings import Impulse, Remark
from evenflare.units import MILLISECOND, FloatArray

FULL_SCALE, FLAT = 0.999, 3
"""Samples in a row that stand at full scale tell an overloaded input; also at a record's own greatest, if"""
CLIPPED_RUNS, STEEP = 3, 1e-2
"""so many runs of them are entered by steps above this, of the greatest: the top of a sine is flat, not its sides."""
LEAST_CLIPPED = 0.05
"""Of full scale, below which a flat top is a matter of few digits."""
DROPOUT, SOUNDING = 32, 0.01
"""Samples that are exactly 0 in a row, between others above this share of the greatest, tell that some were lost."""


def recording_remarks(readings: Sequence[Impulse], *, swept: bool) -> list[Remark]:
    """Which recordings were cut off at full scale or below, or have holes."""
    return [
        Remark(index, "clipped" if clipped(reading.samples) and place == 0 else "samples lost", f"{name}: {words}")
        for index, reading in enumerate(readings)
        for name in (reading.file.name,)
        for place, words in enumerate(recording_faults(reading.samples, swept=swept, sample_rate=reading.sample_rate))
    ]


def clipped(samples: FloatArray) -> bool:
    """Whether a recording (N,) was cut off, at full scale or below."""
    top = float(np.abs(samples).max())
    return _flat(samples, FULL_SCALE, least=0.0) >= 1 or (
        top > LEAST_CLIPPED and _flat(samples, top * (1.0 - 1e-9), least=STEEP * top) >= CLIPPED_RUNS
    )


def recording_faults(samples: FloatArray, *, swept: bool, sample_rate: float) -> list[str]:
    """Where one recording (N,) was cut off at full scale or below, or has holes, in words."""
    said = []
    top = float(np.abs(samples).max())
    if clipped(samples) and top >= FULL_SCALE:
        said.append("flat at full scale, the input was overloaded. Record again at a lower level")
    elif clipped(samples):
        said.append(f"clipped at {top:.3f} of full scale. Record again at a lower level of what clips")
    hole = _hole(samples) if swept else None
    if hole is not None:
        at, count = (each / sample_rate / MILLISECOND for each in hole)
        said.append(f"{count:.1f} ms of zeros at {at:.0f} ms, samples were lost. Record it again")
    return said


def padded_from(readings: Sequence[Impulse], records: Sequence[FloatArray], *, end: float) -> dict[int, float]:
    """Where records that end in zeros inside the gate do so, s, by index; `end` of the gate, s."""
    found = {}
    for index, (reading, record) in enumerate(zip(readings, records, strict=True)):
        last = int(np.flatnonzero(record)[-1]) + 1
        if record.size - last >= FLAT and last < end * reading.sample_rate - 1.0:
            found[index] = last / reading.sample_rate
    return found


def padded_words(readings: Sequence[Impulse], padded: dict[int, float], *, arrival: float, session: str) -> list[str]:
    """In words, one line a file."""
    return [
        f"{readings[i].file.name}: nothing but zeros from {start / MILLISECOND:.2f} ms on, inside the gate: cut and"
        f" padded there, or too few digits. Export it longer, or set [gate] length_ms in {session} to at most"
        f" {max(start - arrival, 0.0) / MILLISECOND:.2f}"
        for i, start in padded.items()
    ]


def _flat(samples: FloatArray, level: float, *, least: float) -> int:
    """How many runs of `FLAT` alike samples stand at `level` or above, entered by a step above `least`."""
    top = np.abs(samples) >= level
    alike = np.concatenate([[False], top[1:] & (samples[1:] == samples[:-1])])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], alike.astype(np.int8), [0]])))
    starts, ends = edges[::2] - 1, edges[1::2]
    long = ends - starts >= FLAT
    before = np.abs(samples[starts] - samples[np.maximum(starts - 1, 0)])
    return int(np.count_nonzero(long & (before >= least)))


def _hole(samples: FloatArray) -> tuple[int, int] | None:
    """First sample and length of the longest row of zeros with sound right before and right after; None without."""
    sounding = np.flatnonzero(samples)
    gaps = np.diff(sounding) - 1
    loud = SOUNDING * float(np.abs(samples).max())
    wide = np.flatnonzero(gaps >= DROPOUT)
    for at in wide[np.argsort(-gaps[wide], kind="stable")].tolist():
        first, last = int(sounding[at]), int(sounding[at + 1])
        before, after = samples[max(first - DROPOUT, 0) : first + 1], samples[last : last + DROPOUT]
        if min(float(np.abs(before).max()), float(np.abs(after).max())) > loud:
            return first + 1, int(gaps[at])
    return None
