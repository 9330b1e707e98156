"""The judge in three dimensions in cabinets of any shape: a box that is given as triangles, a body without symmetry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import solids
from boxed_pairs import OBLONG
from enclosures import one_thread  # noqa: F401
from evenflare.air import Air
from evenflare.exterior.holed import holed
from evenflare.exterior.loudspeaker import loudspeaker
from evenflare.exterior.scattering import ready
from evenflare.radiation.effort import effort
from evenflare.radiation.loudspeaker_elements import memory_needed, whole_solver
from evenflare.radiation.march import march_solver
from evenflare.units import DEGREE
from evenflare.waveguide import AnyCabinet, Cabinet, Conical, Mounting, SolidCabinet, Waveguide
from test_loudspeaker_elements import compared, seen

AIR = Air()
ROUND = Waveguide(Conical(0.04, 45 * DEGREE))
SMALL = solids.solid(solids.box(0.2, 0.26, 0.2))
WEDGE = solids.solid(solids.wedge(0.2, 0.26, 0.2))
STEP = solids.solid(solids.angle_piece(0.2, 0.26, 0.2))


def mounted(waveguide: Waveguide, cabinet: AnyCabinet) -> Waveguide:
    return replace(waveguide, mounting=Mounting(cabinet=cabinet))


@pytest.mark.parametrize("y", [0.0, 0.05])
def test_a_box_of_triangles_is_the_built_in_box(y: float) -> None:
    """Other panels of the same surface: both are within 0.01 dB of what finer ones give, by their own estimates."""
    whole, built_in = (
        whole_solver("screen")(mounted(ROUND, each), seen(1000.0), AIR)
        for each in (SolidCabinet(SMALL, 0.0, y), Cabinet(0.2, 0.26, 0.2, y=y))
    )
    np.testing.assert_allclose(whole.far_field_index, built_in.far_field_index, atol=0.01)  # dB: seen 0.002
    largest = np.abs(built_in.pressure).max()
    np.testing.assert_allclose(whole.pressure, built_in.pressure, atol=2e-3 * largest)  # seen 4e-4
    np.testing.assert_allclose(whole.throat_impedance, built_in.throat_impedance, rtol=2e-3)  # seen 5e-4


@pytest.mark.parametrize(
    ("waveguide", "cabinet", "mirrors"),
    [
        (ROUND, SolidCabinet(SMALL), (0, 1)),
        (ROUND, SolidCabinet(SMALL, 0.01, 0.0), (1,)),
        (ROUND, SolidCabinet(WEDGE, 0.0, 0.03), ()),
        (ROUND, SolidCabinet(STEP, 0.03, 0.02), ()),
        (Waveguide(OBLONG), SolidCabinet(solids.solid(solids.box(0.24, 0.3, 0.2)), 0.0, 0.05), (0,)),
    ],
)
def test_the_body_closes(waveguide: Waveguide, cabinet: SolidCabinet, mirrors: tuple[int, ...]) -> None:
    """As of boxes: Gauss's theorem, for the areas and at the nodes."""
    speaker = loudspeaker(mounted(waveguide, cabinet), 0.1, wall=0.03)
    mesh = speaker.mesh
    assert mesh.mirrors == mirrors
    area = np.sum(mesh.weight[:, None] * mesh.normal, axis=0)
    area[list(mirrors)] = 0.0
    np.testing.assert_allclose(area, 0.0, atol=1e-5 * mesh.weight.sum())
    np.testing.assert_allclose(ready(mesh, room=speaker.room).free_term, 0.5, atol=0.01)  # seen 0.001


def test_march_and_judge_agree_in_a_body_without_symmetry() -> None:
    boxed = mounted(ROUND, SolidCabinet(WEDGE, 0.01, 0.03))
    compared(march_solver("full")(boxed, seen(800.0), AIR), whole_solver("screen")(boxed, seen(800.0), AIR))


def test_what_it_takes_is_told_of_any_cabinet() -> None:
    boxed = mounted(ROUND, SolidCabinet(WEDGE, 0.0, 0.03))
    found = effort(boxed, seen(400.0, 800.0), AIR, setting="estimate")
    assert found.memory == memory_needed(boxed, 800.0, AIR, setting="estimate")
    assert np.all(found.seconds > 0.0)


def test_a_mouth_with_next_to_no_front_round_it_is_refused_with_what_lacks() -> None:
    cabinet = SolidCabinet(SMALL, 0.1 - ROUND.meridian.mouth_radius - 1e-5, 0.0)
    with pytest.raises(ValueError, match=r"needs flat front all round the mouth, 0\.\d+ mm more of it than there is"):
        holed(cabinet, mounted(ROUND, cabinet).surface, ())
    # A millimetre will do. In what is left of the front there some nodes lie next to an edge.
    near = SolidCabinet(SMALL, 0.1 - ROUND.meridian.mouth_radius - 1e-3, 0.0)
    speaker = loudspeaker(mounted(ROUND, near), 0.1, wall=0.03)
    off = ready(speaker.mesh, room=speaker.room).free_term - 0.5
    assert np.average(off**2, weights=speaker.mesh.weight) < 1e-6  # seen 4e-9


def test_a_wall_that_leaves_the_body_is_refused() -> None:
    """Half of the body is too thin for the waveguide, which would come out of its step."""
    waveguide = Waveguide(Conical(0.1, 30 * DEGREE))
    cabinet = SolidCabinet(solids.solid(solids.angle_piece(0.3, 0.26, 0.15)), -0.01, 0.0)
    with pytest.raises(ValueError, match="the waveguide comes out of what it stands in, at"):
        whole_solver("estimate")(mounted(waveguide, cabinet), seen(500.0), AIR)
