"""The inspection's part of `make bench`: a million points of an invented part registered, mapped and told apart."""

from __future__ import annotations

import multiprocessing
import tempfile
import time
from pathlib import Path

import numpy as np

from evenflare.inspection import check_unit, inspected, read_scan
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Conical, Oblong, Waveguide
from scanned import Planted, made
from timing import largest_memory

WAVEGUIDES = {
    "round": Waveguide(Conical(0.09, np.radians(40), 0.02)),
    "oblong": Waveguide(Oblong(Conical(0.09, np.radians(40), 0.012), Conical(0.09, np.radians(28), 0.012))),
}
PLANTED = Planted(3e-3, 8e-5, 1.5e-4, 1e-4)
POINTS = 780_000
"""Of the wall; with a face and strays a million."""


def make(name: str, path: Path) -> None:
    """A scan as a file, made in a process of its own: what that takes is not the inspection's."""
    scan = made(WAVEGUIDES[name], PLANTED, seed=1, count=POINTS, face=True, strays=0.1).scan / MILLIMETRE
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(scan)}\n"
    head += "".join(f"property float {each}\n" for each in "xyz") + "end_header\n"
    path.write_bytes(head.encode() + scan.astype("<f4").tobytes())


def one(name: str, path: Path) -> None:
    """Read and inspected, in a process of its own, for its memory."""
    start = time.perf_counter()
    scan = read_scan(path)
    check_unit(scan, WAVEGUIDES[name])
    found = inspected(scan.points, scan.normals, WAVEGUIDES[name])
    took = time.perf_counter() - start
    print(
        f"{name:8} {len(scan.points):9} points {took:6.1f} s, {largest_memory() / 2**30:.2f} GiB at most; bow"
        f" {found.bow.value / MILLIMETRE:.3f} of 0.150 mm, error {found.bow.standard_error / MILLIMETRE:.3f};"
        f" {np.mean(found.used):.3f} used",
        flush=True,
    )


def main() -> None:
    """Print the table."""
    print("\nscan read, registered, mapped, and told apart (asked for: 20 s, 2 GiB)", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        for name in WAVEGUIDES:
            for step in (make, one):
                process = multiprocessing.get_context("spawn").Process(
                    target=step, args=(name, Path(folder) / f"{name}.ply")
                )
                process.start()
                process.join()


if __name__ == "__main__":
    main()
