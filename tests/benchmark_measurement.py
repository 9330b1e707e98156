"""The measurement's part of `make bench`: recordings of two orbits, from files to metrics.

Invented recordings of a cap on a sphere. Process time on one core after a first run that loads; each step again as a
share of the whole in the same run.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenflare.air import air_at
from evenflare.measurement.assemble import assemble
from evenflare.measurement.session import read_session
from evenflare.metrics import beamwidth, directivity_index, sound_power_level, standard_curves
from evenflare.units import CELSIUS_ZERO
from synthetic_rig import SyntheticRig, cap_on_sphere, write_session_files

SAMPLES = 65536
BAR = 5.0
"""s of wall clock from 72 files of so many samples to metrics."""
RUNS = 3


def metrics(directivity: Any) -> None:
    for plane in directivity.observation.plane:
        beamwidth(directivity, plane=float(plane))
    directivity_index(directivity)
    sound_power_level(directivity)
    standard_curves(directivity)


def timed(call: Callable[[], Any]) -> tuple[float, float, Any]:
    """Process time, wall clock, s, and what the call gives."""
    clock, start = time.perf_counter(), time.process_time()
    found = call()
    return time.process_time() - start, time.perf_counter() - clock, found


def one(path: Path) -> dict[str, tuple[float, float]]:
    spent = {}
    *spent["read"], session = timed(lambda: read_session(path))
    *spent["assemble"], found = timed(lambda: assemble(session))
    *spent["metrics"], _ = timed(lambda: metrics(found.directivity))
    return {name: (times[0], times[1]) for name, times in spent.items()}


def main() -> None:
    rig = SyntheticRig(samples=SAMPLES, ground=0.7, noise_db=-70.0)
    speed = air_at(CELSIUS_ZERO + 16.0, 0.7).speed_of_sound
    sphere = cap_on_sphere(0.12, 0.6, speed)
    print(f"\nmeasurement, 72 recordings{'':18}{'s':>8}{'share':>8}{'wall s':>8}")
    with tempfile.TemporaryDirectory() as folder:
        for kind, made in (("impulse_response", rig), ("sweep", SyntheticRig())):
            place = Path(folder) / kind
            path = write_session_files(place, sphere, rig=made, kind=kind, symmetry="left_right")
            one(path)
            runs = [one(path) for _ in range(RUNS)]
            best = min(runs, key=lambda run: sum(times[0] for times in run.values()))
            whole = sum(times[0] for times in best.values())
            wall = sum(times[1] for times in best.values())
            for name, (spent, clock) in best.items():
                print(f"{kind:18}{name:26}{spent:8.2f}{spent / whole:8.0%}{clock:8.2f}")
            bar = f"  at most {BAR:g} s: {'met' if wall <= BAR else 'MISSED'}" if kind == "impulse_response" else ""
            print(f"{kind:18}{'from files to metrics':26}{whole:8.2f}{1:8.0%}{wall:8.2f}{bar}")


if __name__ == "__main__":
    main()
