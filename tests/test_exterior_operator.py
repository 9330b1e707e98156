"""What a cabinet makes of a mouth's waves: reciprocity, conserved power, and a point source on a cylinder's end."""

from __future__ import annotations

import numpy as np
import pytest

from enclosures import (
    added,
    directions,
    one_thread,  # noqa: F401
    plane_wave,
    whole,
)
from evenflare.exterior.operator import CabinetResponse, Opening, responses
from evenflare.exterior.panels import PanelMesh, meshed
from evenflare.exterior.patches import box
from evenflare.exterior.scattering import ready
from evenflare.exterior.waves import angular, radial
from evenflare.units import ComplexArray, FloatArray, amplitude_db
from evenflare.waveguide.cabinet import Cabinet, Edge

RADIUS = 0.1
"""m, of the mouth: waves are compared as large as they are at its rim."""
CABINETS = {
    "rounded": Cabinet(0.3, 0.45, 0.3, Edge(0.02), Edge(0.02), 0.02, 0.09),
    "sharp": Cabinet(0.3, 0.45, 0.3, x=0.02, y=0.09),
    "front rounded": Cabinet(0.3, 0.45, 0.3, Edge(), Edge(0.02), 0.02, 0.09),
}


def of(
    cabinet: Cabinet, k: float, mesh: PanelMesh, *, radius: float = RADIUS, is_round: bool = False
) -> CabinetResponse:
    """The cabinet's at k, rad/m."""
    x, y, z = cabinet.centre.tolist()
    return responses(k, ready(mesh), [Opening((x, y, z), radius, is_round)], reach=cabinet.reach)[0]


def heard(found: CabinetResponse, wave: int, seen: FloatArray) -> ComplexArray:
    """(D,) the limit of p r exp(j k r), r from the cabinet's middle, of one wave of the mouth."""
    degree = found.around.degree
    return np.asarray(angular(seen, found.around) * 1j ** (degree + 1) / found.wavenumber @ found.far[:, wave])


@pytest.fixture(scope="module", params=CABINETS)
def oblong(request: pytest.FixtureRequest) -> CabinetResponse:
    cabinet = CABINETS[request.param]
    return of(cabinet, 15.0, meshed(box(cabinet), 0.06))


def at_the_rim(found: CabinetResponse) -> FloatArray:
    """(W,) what waves of unit coefficients have there."""
    h, _ = radial(np.array([found.wavenumber * RADIUS]), int(found.mouth.degree.max()), outgoing=True)
    return np.asarray(np.abs(h[0, found.mouth.degree]))


def test_what_the_edges_send_back_is_reciprocal(oblong: CabinetResponse) -> None:
    """From one wave into another as from that into the one, once each is scaled to carry the same power.

    Source: reciprocity, Pierce, Acoustics (1981), section 4-9 (from memory).
    """
    scale = at_the_rim(oblong)
    back = oblong.back / (2 * oblong.mouth.degree + 1)[:, None] / scale[:, None] / scale
    assert np.abs(back - back.T).max() < 2e-3 * np.abs(back).max()  # cells of a seventh of a wavelength: seen 5e-4


def test_power_in_is_power_out(oblong: CabinetResponse) -> None:
    """Of any mixture of waves: what the dome gives, with what comes back, is what the far field carries all round."""
    scale, degree = at_the_rim(oblong), oblong.mouth.degree
    out = (oblong.far.conj().T / (2 * oblong.around.degree + 1)) @ oblong.far
    back = oblong.back / (2 * degree + 1)[:, None]
    into = 0.5 * (np.diag(1.0 / (2 * degree + 1)) + 0.5 * (back + back.conj().T))
    out, into = (each / scale[:, None] / scale for each in (out, into))
    assert np.abs(out - into).max() < 1e-4 * np.abs(into).max()  # seen 2e-5


@pytest.mark.parametrize("k", [6.0, 15.0, 30.0])
def test_source_on_the_front_and_listener_far_away_change_places(k: float) -> None:
    """The point source at the mouth's centre, heard in fifty directions all round, and plane waves from there at it.

    A source of unit h_0 on a rigid front has the volume velocity that alone makes 2 pi j / k of exp(-jkr) / (4 pi r).
    """
    mesh = meshed(box(CABINETS["rounded"]), 0.1)
    node = int(np.flatnonzero(np.abs(mesh.place[:, 2] - 0.15) < 1e-9)[13])
    cabinet = Cabinet(0.3, 0.45, 0.3, Edge(0.02), Edge(0.02), *map(float, mesh.place[node, :2]))
    seen = directions(50)
    slope, pressure = plane_wave(k, seen)
    q, _ = added(k, ready(mesh), slope)
    there = (q + pressure(whole(mesh).place, mesh.normal))[node]
    found = heard(of(cabinet, k, mesh, radius=0.02), 0, seen)
    # Of the loudest direction: cells of half a wavelength at the highest, seen 4e-4.
    np.testing.assert_allclose(found, 0.5j / k * there, atol=2e-3 * np.abs(found).max())


@pytest.mark.parametrize("name", ["rounded", "front rounded"])
def test_parts_are_the_whole(name: str) -> None:
    """Eight or four problems with images against the one without, for a mouth off every mirror plane."""
    cabinet = CABINETS[name]
    mesh = meshed(box(cabinet), 0.15)
    divided, undivided = (of(cabinet, 10.0, each, radius=0.05) for each in (mesh, whole(mesh)))
    # Rounding, times the condition of matrices below 1e3.
    np.testing.assert_allclose(divided.far, undivided.far, atol=1e-11 * np.abs(undivided.far).max())
    scale = np.abs(undivided.back).max(axis=0)
    assert np.abs((divided.back - undivided.back) / scale).max() < 1e-11


class TestCylinder:
    """A point source in the middle of a cylinder's sharp flat end, 610 mm wide, on axis re the same source alone.

    The known figure of a cylinder of two feet: up by 10 dB where the edge's wave, which comes from all round at once,
    half a wavelength late and upside down, adds to the direct one; and a dip where it is a whole wavelength late.
    Sources: Olson, Direct radiator loudspeaker enclosures, J. Audio Eng. Soc. 17 (1969) 22; the reverse, the pressure
    in the middle of a cylinder's end under a wave along its axis, Muller, Black & Davis, J. Acoust. Soc. Am. 10 (1938)
    6 (both from memory). Here the back is a half sphere.
    """

    RADIUS = 0.305
    CABINET = Cabinet(2 * RADIUS, 2 * RADIUS, 2 * RADIUS, Edge(RADIUS), Edge())

    def level(self, delays: FloatArray) -> FloatArray:
        """dB, at frequencies where the radius is so many wavelengths."""
        found = []
        for delay in delays:
            k = 2 * np.pi * delay / self.RADIUS
            mesh = meshed(box(self.CABINET), min(0.2, 2 * np.pi / k / 2.2))
            each = of(self.CABINET, k, mesh, radius=0.01, is_round=True)
            # h_0 in a baffle is twice a free source of its volume velocity.
            found.append(float(amplitude_db(2 * k * np.abs(heard(each, 0, np.array([[0.0, 0.0, 1.0]]))[0]))))
        return np.array(found)

    def test_rises_as_the_source_of_twice_the_pressure_that_is_cancelled_at_length(self) -> None:
        assert abs(self.level(np.array([0.02]))[0]) < 0.2  # dB: 22 Hz, half a wavelength is twelve cylinders

    def test_first_ripples(self) -> None:
        delays = np.array([0.35, 0.42, 0.48, 0.54, 0.6, 0.9, 0.95, 1.0, 1.05, 1.1])
        level = self.level(delays)
        high, low = int(level[:5].argmax()), 5 + int(level[5:].argmin())
        # A figure in print can be read to half a decibel, and to some per cent of the frequency.
        assert 9.0 < level[high] < 11.0
        assert 0.4 < delays[high] < 0.56
        assert -2.5 < level[low] < 0.5
        assert 0.94 < delays[low] < 1.06
