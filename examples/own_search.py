"""A search of your own: any optimiser over the shapes that a target allows, scored as `evenflare search` scores them.

    python examples/own_search.py [TARGET.toml]

A vector with a value from 0 to 1 for each parameter gives a waveguide; its directivity gives a score in dB, and limits
that are broken stand apart. Here the plainest of all searches walks from the best so far in random steps that shrink.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from evenflare import read_target, score
from evenflare.objective import search_observation
from evenflare.radiation import solver
from evenflare.waveguide import Mounting, ParameterSpace

STEPS = 120

target = read_target(sys.argv[1] if len(sys.argv) > 1 else "targets/shelf.toml")
# Flush in a wall, so that no box is to be solved first; leave this line out for the target's own.
target = replace(target, mounting=Mounting())
space = ParameterSpace("oblate_spheroidal", target.limits, target.driver, target.mounting)
seen, solve = search_observation(target), solver("screen")
chance = np.random.default_rng(1)

best, best_vector = np.inf, np.full(len(space.names), 0.5)
for step in range(STEPS):
    vector = np.clip(best_vector + 0.3 * 0.98**step * chance.standard_normal(best_vector.size), 0, 1)
    waveguide = space.waveguide(vector)
    found = score(solve(waveguide, seen, target.air), waveguide, target)
    if found.feasible and found.value < best:
        best, best_vector = found.value, vector
        print(f"step {step:3}: {best:.3f} dB", dict(zip(space.names, np.round(vector, 3).tolist(), strict=True)))

print(f"best of {STEPS}: {best:.3f} dB")
