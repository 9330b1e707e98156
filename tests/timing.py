"""How the benchmarks take time: of one warmed-up process, the least of several runs."""

from __future__ import annotations

import time
from collections.abc import Callable

from evenflare.directivity import Directivity
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
