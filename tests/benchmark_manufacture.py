"""The workshop's part of `make bench`: time, memory and file sizes of the solid, the finishing path and its proof.

A round waveguide of 300 mm mouth. Each step runs in a process of its own, whose largest memory is stated with all
libraries in it; times are process time on one core after a first run that loads and compiles.
"""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from evenflare.design.file import Solid
from evenflare.files import write_text
from evenflare.manufacture import solid_sizes, write_solid
from evenflare.manufacture.milling.finishing import finishing
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.run_time import run_time
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import OblateSpheroidal, Waveguide
from timing import largest_memory

MOUTH = 300 * MILLIMETRE
CHORD_ERROR = 0.01 * MILLIMETRE
SCALLOP = 0.005 * MILLIMETRE
GRID = 0.1 * MILLIMETRE


def part() -> Waveguide:
    def shape(angle: float) -> Waveguide:
        return Waveguide(OblateSpheroidal(0.12, angle, 0.012))

    return shape(brentq(lambda a: 2 * shape(a).meridian.mouth_radius - MOUTH, 40 * DEGREE, 60 * DEGREE))


def process() -> Process:
    return dataclasses.replace(read_process("router"), scallop_height=SCALLOP)


def solid(folder: Path) -> str:
    told = {"chord_error": CHORD_ERROR, "design_id": "bench", "name": "300 mm mouth"}
    seated = features_of(Solid(edge_radius=5 * MILLIMETRE), process())
    written = write_solid(part(), Solid(), folder / "solid.stl", features=seated, **told)
    return f"{written.triangles} triangles, solid.stl {size(written.path)}, {written.volume * process().density:.2f} kg"


def path(folder: Path) -> str:
    program, place = finishing(part(), process(), None), folder / "finishing.nc"
    write_text(place, gcode(program, process(), design_id="bench", name="300 mm mouth"))
    way = np.linalg.norm(np.diff(program.position, axis=0), axis=1).sum()
    hours = run_time(program, process()) / 3600
    return f"{program.feed.size} moves, {way:.0f} m, {hours:.1f} h; finishing.nc {size(place)}"


def proof(folder: Path) -> str:
    waveguide, chosen = part(), process()
    sizes = solid_sizes(waveguide.meridian, Solid())
    found = prove_files(waveguide, [folder / "finishing.nc"], chosen, sizes=sizes, grid=GRID).programs[0]
    gouge, leftover = (1e3 * each.size / MILLIMETRE for each in (found.gouge, found.leftover))
    return f"greatest gouge {gouge:.2f} um, greatest leftover {leftover:.2f} um, {'pass' if found.passed else 'fail'}"


def size(path: Path) -> str:
    return f"{path.stat().st_size / 1e6:.1f} MB"


STEPS: dict[str, tuple[str, Callable[[Path], str]]] = {
    "solid": ("solid, seat, edge and STL, chord error 0.01 mm", solid),
    "path": ("finishing path, scallop 5 um, ball 6 mm", path),
    "proof": ("its proof, read back, grid 0.1 mm", proof),
}


def measured(step: str, folder: Path) -> None:
    """Run a step twice and print its second run as JSON."""
    for _ in range(2):
        start = time.process_time()
        told = STEPS[step][1](folder)
        spent = time.process_time() - start
    peak = largest_memory()
    print(json.dumps({"seconds": spent, "peak": peak, "told": told}))


def main() -> None:
    print(f"\nworkshop, mouth of 300 mm{'':24}{'s':>8}{'MB':>8}")
    with tempfile.TemporaryDirectory() as folder:
        for step, (name, _) in STEPS.items():
            command = [sys.executable, __file__, step, folder]
            done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
            found = json.loads(done.stdout.splitlines()[-1])
            print(f"{name:50}{found['seconds']:8.2f}{found['peak'] / 1e6:8.0f}  {found['told']}")


if __name__ == "__main__":
    if len(sys.argv) == 3:
        measured(sys.argv[1], Path(sys.argv[2]))
    else:
        main()
