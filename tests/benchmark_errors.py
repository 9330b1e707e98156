"""`python tests/benchmark_errors.py [first seed] [seeds] [setting]`: stated and true errors, by kind of shape."""

from __future__ import annotations

import sys

import numpy as np

from error_shapes import OBLONG, ROUND
from evenflare.radiation import Setting
from stated_errors import QUANTITIES, Held, figures, held


def main() -> None:
    first, count = (int(each) for each in (sys.argv[1:3] or ("1000", "8")))
    setting: Setting = sys.argv[3] if len(sys.argv) > 3 else "full"  # type: ignore[assignment]
    kinds = ROUND if setting != "full" else ROUND | OBLONG
    every: list[Held] = []
    print(
        f"{'':14}{'shapes':>8}  " + "  ".join(f"{f'{each}: within twice, excess, median':>40}" for each in QUANTITIES)
    )
    for kind in [*kinds, "all"]:
        if kind == "all":
            shapes = every
        else:
            frequencies = 48 if kind in ROUND else 24
            shapes = [
                held(kind, seed, frequencies=frequencies, setting=setting) for seed in range(first, first + count)
            ]
            every += shapes
        text = "  ".join("{:>24.3f}{:>8.4f}{:>8.2f}".format(*figures(shapes, each)) for each in QUANTITIES)
        print(
            f"{kind:14}{len(shapes):8}  {text}   valid {np.mean(np.concatenate([s.valid for s in shapes])):.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
