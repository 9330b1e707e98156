"""What a pattern sends between its planes: a field whose square goes as cos^2 and sin^2 of azimuth is met exactly.

Any square a cos^2 + b sin^2 of the azimuth is such a field, of two planes; of three planes 60 degrees apart, the law
between neighbours is scaled to their spacing (common practice, no source, as the docstring says).
"""

import numpy as np
import pytest

from evenflare.directivity.types import Observation
from evenflare.room.pattern import direction_weights
from evenflare.units import DEGREE

OFF_AXIS = np.arange(0.0, 181.0, 15.0) * DEGREE


def squares(plane: tuple[float, ...], azimuth: list[float], strength: list[float]) -> list[float]:
    """At 45 degrees off axis and azimuths, degrees, of planes whose mean squares are the strengths."""
    seen = Observation(np.array([1e3]), OFF_AXIS, np.array(plane) * DEGREE, symmetry="two_planes")
    at = np.array(azimuth) * DEGREE
    weights = direction_weights(seen, np.full(at.size, 45.0 * DEGREE), at)
    np.testing.assert_allclose(weights.sum(axis=(1, 2)), 1.0, atol=1e-12)  # rounding
    return (weights * np.array(strength)[:, None]).sum(axis=(1, 2)).tolist()


def test_between_two_planes_it_goes_as_the_squares_of_cosine_and_sine() -> None:
    azimuth = [0.0, 10.0, 45.0, 80.0, 90.0, 100.0, 170.0, 200.0, 350.0]
    turn = np.array(azimuth) * DEGREE
    wanted = 4.0 * np.cos(turn) ** 2 + 1.0 * np.sin(turn) ** 2
    assert squares((0.0, 90.0), azimuth, [4.0, 1.0]) == pytest.approx(
        wanted.tolist(), abs=1e-8
    )  # planes count as turned by 1e-10, so that a turn and none are one


def test_between_planes_closer_together_it_is_scaled_to_their_spacing() -> None:
    found = squares((0.0, 45.0, 90.0), [11.25, 22.5, 45.0, 56.25], [4.0, 2.0, 1.0])
    share = np.cos(22.5 * DEGREE) ** 2
    wanted = [2.0 + 2.0 * share, 3.0, 2.0, 1.0 + share]
    assert found == pytest.approx(wanted, abs=1e-8)  # planes count as turned by 1e-10, so that a turn and none are one
