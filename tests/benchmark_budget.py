"""The uncertainty budget's part of `make bench`: how often stated 95 % intervals hold the index, by octave.

Invented data: mouths and rigs drawn at random, their truth in closed form. Between 0.90 and 0.99 is what is wanted;
1.00 stands where one part with bounds (what two planes leave open) is all that counts: within its bounds all is held.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from budget_rigs import drawn_session, mouths, oblong_errors
from evenflare.metrics import directivity_index

MOUTHS, RIGS = 120, 40


def by_octave(held: np.ndarray, frequency: np.ndarray) -> str:
    """A figure an octave."""
    octave = np.round(np.log2(frequency / 1000.0)).astype(int)
    return "".join(f"{np.mean(held[octave == each]):8.2f}" for each in range(-1, 5) if np.any(octave == each))


def main() -> None:
    """Print the table."""
    octaves = "".join(f"{1000 * 2**each:8.0f}" for each in range(-1, 5))
    print(f"\ncoverage of 95 % intervals of the index{'':14}{octaves} Hz")
    errors, sizes, frequency = oblong_errors(mouths(MOUTHS, seed=3))
    held = np.abs(errors) <= 1.96 * sizes + 0.002
    print(f"{f'{MOUTHS} oblong mouths, two orbits':53}{by_octave(held.ravel(), np.tile(frequency, MOUTHS))}")
    for kind, words in (("impulse_response", "impulse responses"), ("sweep", "sweeps in hum")):
        inside, at, size = [], [], []
        with tempfile.TemporaryDirectory() as folder:
            for seed in range(RIGS):
                found, truth, frequency = drawn_session(Path(folder) / str(seed), seed=seed, kind=kind)
                valid = found.directivity.valid
                budget = found.budgets["index"]
                error = np.abs(directivity_index(found.directivity) - truth)
                inside.append((error <= budget.expanded())[valid])
                at.append(frequency[valid])
                size.append(budget.combined[valid])
        print(f"{f'{RIGS} rigs with errors drawn, {words}':53}{by_octave(np.concatenate(inside), np.concatenate(at))}")
        print(f"{'  stated, dB rms':53}{np.sqrt(np.mean(np.concatenate(size) ** 2)):8.3f}")


if __name__ == "__main__":
    main()
