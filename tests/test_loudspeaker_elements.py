"""Waveguide, front and box as one body, against the judge for bodies of revolution and the march in a cabinet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from boxed_pairs import MORE, PAIRS
from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.exterior.loudspeaker import loudspeaker
from evenflare.exterior.scattering import ready
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.radiation.loudspeaker_elements import whole_solver
from evenflare.radiation.march import march_solver
from evenflare.units import DEGREE, amplitude_db
from evenflare.waveguide import Conical, Mounting, Waveguide
from test_march_in_cabinet import Bullet

AIR = Air()


def seen(*frequency: float, distance: float = np.inf) -> Observation:
    return Observation(
        np.array(frequency),
        np.arange(-180.0, 180.0, 20.0) * DEGREE,
        np.array([0.0, 90.0]) * DEGREE,
        distance=distance,
        symmetry="none",
    )


def compared(march: Directivity, judge: Directivity) -> None:
    """Index, level and phase everywhere, power and throat."""
    # dB: seen 0.02. The march in a cabinet is to be within 0.1.
    np.testing.assert_allclose(march.far_field_index, judge.far_field_index, atol=0.04)
    loudest = np.abs(judge.pressure).max(axis=(1, 2))[:, None, None]
    # Seen 0.4 %: 0.03 dB of the loudest direction.
    np.testing.assert_allclose(march.pressure / loudest, judge.pressure / loudest, atol=0.01)
    np.testing.assert_allclose(march.sound_power, judge.sound_power, rtol=0.015)  # seen 0.6 %, 0.03 dB
    np.testing.assert_allclose(march.throat_impedance, judge.throat_impedance, rtol=0.01)  # seen 0.3 %


@pytest.mark.slow
@pytest.mark.parametrize("name", {**PAIRS, **MORE})
def test_march_in_a_cabinet_over_frequency(name: str) -> None:
    waveguide, cabinet = {**PAIRS, **MORE}[name]
    boxed = replace(waveguide, mounting=Mounting(cabinet=cabinet))
    observation = seen(300.0, 700.0, 1400.0, 2200.0)
    compared(march_solver("full")(boxed, observation, AIR), whole_solver("full")(boxed, observation, AIR))


def test_nearby() -> None:
    """Half a metre from the throat: the march sums outgoing waves about the box, the judge integrates over it."""
    waveguide, cabinet = PAIRS["round, in the middle, cap and mixed edges"]
    boxed = replace(waveguide, mounting=Mounting(cabinet=cabinet))
    observation = seen(800.0, distance=0.5)
    compared(march_solver("full")(boxed, observation, AIR), whole_solver("full")(boxed, observation, AIR))
    with pytest.raises(ValueError, match="inside the cabinet"):
        whole_solver("full")(boxed, seen(800.0, distance=0.1), AIR)


def test_body_of_revolution() -> None:
    """Against boundary elements that share neither panels nor kernels; with the error that it states of itself."""
    observation = Observation(np.array([1000.0, 2000.0]), np.arange(0.0, 181.0, 20.0) * DEGREE)
    waveguide = Waveguide(Conical(0.08, 45 * DEGREE))
    found = radiation.solver("full", method="boundary_elements")(
        replace(waveguide, mounting=Mounting(cabinet=Bullet.cabinet)), observation, AIR
    )
    judged = judge_solver("full")(replace(waveguide, mounting=Mounting(body=Bullet())), observation, AIR)
    apart = np.abs(found.far_field_index - judged.far_field_index)
    assert apart.max() < 0.03  # dB: seen 0.01
    np.testing.assert_allclose(amplitude_db(np.abs(found.on_axis / judged.on_axis)), 0.0, atol=0.05)
    assert np.all(apart < found.error_estimate + judged.error_estimate + 0.002)  # dB, what either may be off by unseen


@pytest.mark.parametrize("name", PAIRS)
def test_the_body_closes(name: str) -> None:
    """Gauss's theorem: the areas of a closed surface, each along its normal, add up to nothing, and its nodes see half
    of all directions; and what moves is 1 m/s over the exit's area.
    """
    waveguide, cabinet = PAIRS[name]
    speaker = loudspeaker(replace(waveguide, mounting=Mounting(cabinet=cabinet)), 0.1, wall=0.03)
    mesh = speaker.mesh
    area = np.sum(mesh.weight[:, None] * mesh.normal, axis=0)
    area[list(mesh.mirrors)] = 0.0
    np.testing.assert_allclose(area, 0.0, atol=1e-4 * mesh.weight.sum())
    assert speaker.images * np.sum(mesh.weight * speaker.moving) == pytest.approx(waveguide.driver.exit_area, rel=1e-12)
    np.testing.assert_allclose(ready(mesh, room=speaker.room).free_term, 0.5, atol=0.02)  # seen 0.003
