"""The comparison's part of `make bench`: 72 measured angles against a prediction, from folders to report and pictures.

The measurement is an invented one as 72 impulse responses of 65,536 samples at 48 kHz give it: a level with noise at
24 frequencies per octave, twice what the assembly keeps unasked, from 10 Hz to 20 kHz. It runs in a
process of its own, whose largest memory is stated with all libraries in it; times are process time on one core, the
loading of libraries included, because a user waits for it too.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from comparing import PLANES, cap, scattered
from evenflare.bands import midbands
from evenflare.directivity.types import Directivity
from evenflare.results import tables
from timing import largest_memory

SAMPLES, SAMPLE_RATE = 65536, 48000.0
PER_OCTAVE = 24
HIGHEST = 20000.0


def measured() -> tuple[Directivity, Directivity]:
    """Measured and predicted: a cap on a sphere, its levels taken over from the nearest frequency of a coarser row."""
    frequency = midbands(PER_OCTAVE, lowest=max(SAMPLE_RATE / SAMPLES, 10.0), highest=HIGHEST)
    coarse = cap(0.3, plane=PLANES[:1])
    rows = np.abs(np.log(coarse.observation.frequency) - np.log(frequency)[:, None]).argmin(axis=1)
    predicted = replace(
        coarse,
        observation=replace(coarse.observation, frequency=frequency),
        pressure=coarse.pressure[rows],
        valid=np.ones(frequency.size, bool),
    )
    return scattered(predicted, seed=1, level_db=0.3), predicted


def written(folder: Path) -> None:
    """The folders that are compared."""
    for name, each in zip(("measured", "predicted"), measured(), strict=True):
        tables.write_solution(folder / name, each, name=name, design_id="", provenance={"mounting": "sphere"})


def compared(folder: Path) -> None:
    """Compare them as the command does, and print what it took as JSON."""
    from evenflare.cli import run

    said, here = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(here, 1)
    try:
        code = run(
            ["compare", *(str(folder / name) for name in ("measured", "predicted")), "--out", str(folder / "out")]
        )
    finally:
        os.dup2(said, 1)
    held = json.loads((folder / "out" / "comparison.json").read_text())
    peak = largest_memory()
    told = {"code": code, "seconds": time.process_time(), "peak": peak, "rms": held["rms_db"], "cells": held["cells"]}
    print(json.dumps(told))


def main() -> None:
    print(f"\ncomparison{'':40}{'s':>8}{'MB':>8}")
    with tempfile.TemporaryDirectory() as folder:
        written(Path(folder))
        done = subprocess.run([sys.executable, __file__, folder], check=True, stdout=subprocess.PIPE, text=True)
        found = json.loads(done.stdout.splitlines()[-1])
    what = "compare 72 angles of 65,536 samples, report"
    told = f"{found['cells']} cells, {found['rms']:.3f} dB rms of 0.424 planted"
    print(f"{what:50}{found['seconds']:8.2f}{found['peak'] / 1e6:8.0f}  {told}")


if __name__ == "__main__":
    if len(sys.argv) == 2:
        compared(Path(sys.argv[1]))
    else:
        main()
