"""How the benchmarks take time, of one warmed-up process the least of several runs, and memory."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path

from evenflare.directivity.types import Directivity
from evenflare.waveguide import Waveguide


def least_time(
    solve: Callable[[Waveguide], Directivity],
    waveguide: Waveguide,
    runs: int,
    clock: Callable[[], float] = time.process_time,
) -> float:
    """Seconds; the wall is worked out anew each time, as in a search, and nothing else is kept from run to run but what
    a search keeps.
    """
    times = []
    for _ in range(runs):
        fresh = Waveguide(waveguide.shape, waveguide.driver, waveguide.mounting)
        start = clock()
        solve(fresh)
        times.append(clock() - start)
    return min(times)


def largest_memory() -> float:
    """Bytes, that this process has held at most.

    From Linux' account of the program itself: what getrusage tells starts from what the parent held when it forked.
    """
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024.0
    (line,) = (line for line in status.splitlines() if line.startswith("VmHWM:"))
    return float(line.split()[1]) * 1024.0
