"""The measurement's part of `make bench`: recordings of two orbits, from files to metrics.

Invented recordings of a cap on a sphere. Process time on one core after a first run that loads; each step again as a
share of the whole in the same run.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenflare.air import air_at
from evenflare.commands.watching import POLL, Watch
from evenflare.measurement.assemble import assemble
from evenflare.measurement.session import read_session
from evenflare.metrics import beamwidth, directivity_index, sound_power_level, standard_curves
from evenflare.units import CELSIUS_ZERO
from field_rigs import exponential
from synthetic_rig import SyntheticRig, cap_on_sphere, write_session_files

SAMPLES = 65536
BAR = 5.0
"""s of wall clock from 72 files of so many samples to metrics."""
RUNS = 3
LONG_BAR = 20.0
"""s of wall clock from 144 sweeps of 4 s to metrics."""
ANSWER = 1.0
"""s from a recording's being complete to what is said of it, looks at the folder included."""


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


def watched(folder: Path, pressure: Any) -> list[float]:
    """Wall clock, s, of checking each of 36 sweeps of 4 s at 48 kHz as it comes."""
    swept = exponential(4.0, 50.0, 20e3, rise=0.05, fall=0.01)
    source = write_session_files(folder / "all", pressure, kind="sweep", swept=swept, azimuth_deg=(0.0,)).parent
    (folder / "field").mkdir()
    for name in ("session.toml", "reference.wav"):
        shutil.copy(source / name, folder / "field")
    watch, now, spent = Watch(folder / "field"), 0.0, []
    for file in sorted(source.glob("turn_*.wav"), key=lambda file: float(file.stem.removeprefix("turn_"))):
        shutil.copy(file, folder / "field")
        watch.look(now)
        now += POLL
        spent.append(timed(lambda: watch.look(now))[1])  # noqa: B023
    return spent


def long_sweeps(folder: Path, pressure: Any) -> tuple[int, float]:
    """How many sweeps of 4 s at 48 kHz, two of each direction, and the wall clock, s, from files to metrics."""
    swept = exponential(4.0, 50.0, 20e3, rise=0.05, fall=0.01)
    path = write_session_files(folder, pressure, kind="sweep", swept=swept, symmetry="left_right", repeats=2)
    return len(list(folder.glob("*_*.wav"))), sum(clock for _, clock in one(path).values())


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
        count, wall = long_sweeps(Path(folder) / "long", sphere)
        bar = f"  at most {LONG_BAR:g} s: {'met' if wall <= LONG_BAR else 'MISSED'}"
        print(f"{f'{count} sweeps of 4 s':18}{'from files to metrics':26}{'':16}{wall:8.2f}{bar}")
        spent = watched(Path(folder) / "watched", sphere)
        longest = max(spent) + 2.0 * POLL
        words = f"  at most {ANSWER:g} s with two looks: {'met' if longest <= ANSWER else 'MISSED'} ({longest:.2f})"
        print(f"{'watched, 36 x 4 s':18}{'longest check of a file':26}{'':16}{max(spent):8.2f}{words}")


if __name__ == "__main__":
    main()
