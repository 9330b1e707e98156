"""The march in a box against the judge in three dimensions, to 5 kHz: `python tests/benchmark_boxed_judge.py [WORD]`.

On six invented pairs of waveguide and box, or those whose names hold the word. With a graphics processor (CuPy) a pair
takes a minute; without, to 5 kHz an hour and up to 15 GB: `--to 2600` is what two cores do in ten minutes. Each pair is
printed as soon as it is done.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from dataclasses import replace

import numpy as np

from boxed_pairs import MORE, PAIRS
from evenflare import metrics
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.exterior.cabinets import top_wavenumber
from evenflare.exterior.store import VARIABLE
from evenflare.radiation.in_cabinet import JOIN
from evenflare.radiation.loudspeaker_elements import memory_needed, nodes_at, whole_solver
from evenflare.radiation.march import march_solver
from evenflare.units import DEGREE, FloatArray, amplitude_db
from evenflare.waveguide import Cabinet, Mounting, Waveguide

FREQUENCY = np.array([300.0, 500.0, 800.0, 1250.0, 1900.0, 2600.0, 3600.0, 5000.0])
"""Hz."""
INDEX, POLAR, AXIS = 0.1, 0.7, 0.3
"""dB, how far the march may be off: the index and the polar response above -20 dB rms, the level on axis."""
CORES = os.cpu_count() or 1


def rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def compared(name: str, waveguide: Waveguide, cabinet: Cabinet, frequency: FloatArray) -> None:
    boxed = replace(waveguide, mounting=Mounting(cabinet=cabinet))
    air = Air()
    top = float(top_wavenumber(cabinet)) * air.speed_of_sound / (2 * np.pi)
    nodes = nodes_at(boxed, float(frequency[-1]), air, setting="full")
    memory = memory_needed(boxed, float(frequency[-1]), air)
    print(
        f"\n{name}: {cabinet.words}; box solved to {top:.0f} Hz, joined to the baffle from {top / JOIN:.0f} Hz;"
        f" judge {nodes} nodes, {memory / 1e9:.1f} GB at {frequency[-1]:.0f} Hz",
        flush=True,
    )
    observation = Observation(
        frequency, np.arange(-180.0, 180.0, 5.0) * DEGREE, np.array([0.0, 90.0]) * DEGREE, symmetry="none"
    )
    start = time.perf_counter()
    march = march_solver("full", cores=CORES)(boxed, observation, air)
    marched = time.perf_counter() - start
    moments = [time.perf_counter()]
    judge = whole_solver("full", cores=CORES, progress=lambda _: moments.append(time.perf_counter()))(
        boxed, observation, air
    )
    told(march, judge, np.diff(moments), marched)


def told(march: Directivity, judge: Directivity, seconds: FloatArray, marched: float) -> None:
    assert march.far_field_index is not None
    assert judge.far_field_index is not None
    assert judge.error_estimate is not None
    index = march.far_field_index - judge.far_field_index
    found, wanted = (metrics.levels_re_on_axis(each) for each in (march, judge))
    loud = wanted > -20.0
    polar = np.where(loud, found - wanted, 0.0)
    axis = amplitude_db(np.abs(march.on_axis / judge.on_axis))
    print(f"{'Hz':>8}{'index':>9}{'polar rms':>11}{'polar max':>11}{'on axis':>9}{'judge own':>11}{'judge s':>9}")
    for i, frequency in enumerate(judge.observation.frequency):
        print(
            f"{frequency:8.0f}{index[i]:9.3f}{rms(polar[i][loud[i]]):11.3f}{np.abs(polar[i]).max():11.3f}{axis[i]:9.3f}"
            f"{judge.error_estimate[i]:11.3f}{seconds[i]:9.1f}"
        )
    totals = rms(index), rms(polar[loud]), float(np.abs(polar).max()), float(np.abs(axis).max())
    met = "met" if totals[0] <= INDEX and totals[1] <= POLAR and totals[3] <= AXIS else "MISSED"
    print(
        f"     all{totals[0]:9.3f}{totals[1]:11.3f}{totals[2]:11.3f}{totals[3]:9.3f}  (rms, rms, max, max; on axis rms"
        f" {rms(axis):.3f}; at most {INDEX:g}, {POLAR:g} and {AXIS:g}: {met}); march {marched:.0f} s, box included,"
        f" judge {seconds.sum():.0f} s, arrays of {judge.provenance['arrays']}",
        flush=True,
    )


def judged(to: float, word: str = "") -> None:
    """Prints every pair whose name holds the word, up to `to`, Hz."""
    print("\nmarch less judge, dB")
    for name, (waveguide, cabinet) in {**PAIRS, **MORE}.items():
        if word in name:
            compared(name, waveguide, cabinet, FREQUENCY[FREQUENCY <= to])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("word", nargs="?", default="")
    parser.add_argument("--to", type=float, default=FREQUENCY[-1], help="Hz")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ[VARIABLE] = folder
        judged(asked.to, asked.word)


if __name__ == "__main__":
    main()
