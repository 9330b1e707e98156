"""The oblong march against its own refinement in steps, radial modes and azimuth, and its estimate of what is left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare import metrics
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation.march import at_resolution, march_solver
from evenflare.radiation.resolution import Resolution
from evenflare.units import DEGREE, FloatArray
from listening import AIR, ANGLES
from oblong_shapes import CANDIDATE, OBLONG_BENCHMARK

PLANES = np.array([0.0, 45.0, 90.0]) * DEGREE
BASE = Resolution(14, 0.0, 5.0, 2.0, azimuth_cost=0.5)
"""Modes that do not depend on frequency, so that one dial moves at a time."""
FINE = Resolution(8.0, 0.52, 3.6, 3.0, azimuth_cost=0.45)
"""When refined again (11 + 0.6 ka modes, 5.2 steps, an azimuth's cost of 0.35) the index moves by less than 0.01 dB on
any of the shapes, and levels by 0.02 dB, or 0.22 dB of the rounded rectangle: a ninth of each bar or less."""


def impedance(resolution: Resolution, frequency: float = 5000.0) -> complex:
    """An energy, which converges twice as fast as the field."""
    observation = Observation(np.array([frequency]), ANGLES, plane=PLANES, symmetry="two_planes")
    found = at_resolution(resolution)(CANDIDATE, observation, AIR)
    assert found.throat_impedance is not None
    return complex(found.throat_impedance[0])


def errors(resolutions: list[Resolution], exact: complex) -> FloatArray:
    return np.array([abs(impedance(each) - exact) for each in resolutions])


def test_order_of_a_step() -> None:
    """Third-degree elements: the sixth power of the step."""
    steps = np.array([3.0, 4.0, 5.5])
    found = errors(
        [replace(BASE, modes=8, steps=s, fineness=s / 2) for s in steps],
        impedance(replace(BASE, modes=8, steps=16, fineness=8)),
    )
    order = -np.polyfit(np.log(steps), np.log(found), 1)[0]
    assert 4.5 < order < 8  # whole elements only, so that steps shrink in jumps


@pytest.mark.parametrize("dial", ["modes", "azimuth_cost"])
def test_more_modes_converge(dial: str) -> None:
    """Each step of the dial lowers the error, all of them at least tenfold: edge waves limit the order, no floor."""
    values = {"modes": [4, 6, 8, 11], "azimuth_cost": [3.0, 1.5, 0.8, 0.55]}[dial]
    exact = impedance(replace(BASE, modes=18 if dial == "modes" else 14, azimuth_cost=0.5 if dial == "modes" else 0.35))
    found = errors([replace(BASE, **{dial: value}) for value in values], exact)
    assert np.all(np.diff(found) < 0)
    assert found[-1] < 0.1 * found[0]


def levels(directivity: Directivity) -> FloatArray:
    front = directivity.observation.off_axis <= 0.5 * np.pi
    return np.asarray(metrics.levels_re_on_axis(directivity)[:, :, front])


@pytest.mark.slow
@pytest.mark.parametrize("name", OBLONG_BENCHMARK)
def test_error_of_full_and_screen_and_its_estimate(name: str) -> None:
    observation = Observation(np.geomspace(300, 12.5e3, 24), ANGLES, plane=PLANES, symmetry="two_planes")
    exact, full, screen = (
        solve(OBLONG_BENCHMARK[name], observation, AIR)
        for solve in (at_resolution(FINE), march_solver("full"), march_solver("screen"))
    )
    wanted = metrics.directivity_index(exact)
    true, coarse = (np.sqrt(np.mean((metrics.directivity_index(each) - wanted) ** 2)) for each in (full, screen))
    assert true < 0.2  # dB rms: the bar of "full"
    assert coarse < 0.7  # dB rms: the bar of "screen"
    seen = levels(exact) > -15
    # 1 dB above -15 dB, the bar; the rounded rectangle's corners, of 15 mm, ask for more modes than the setting has.
    limit = 2.0 if "rectangle" in name else 1.0
    assert np.abs(levels(full) - levels(exact))[seen].max() < limit
    assert full.error_estimate is not None
    estimate = np.sqrt(np.mean(full.error_estimate**2))
    # An envelope, with a margin: what an error passes through on its way through zero counts as well.
    assert true / 2 < estimate < 4 * max(true, 1e-4)
