"""The driver as an acoustic source: levels in closed form where the impedance it sees is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import known_sounds
from evenflare import closed_forms, metrics, radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Points, Source, Waveguide

AIR = Air()
RADIUS = 0.05
SIZES = np.array([0.1, 0.4, 1.0, 2.5, 6.0])
FREQUENCY = SIZES / RADIUS * AIR.speed_of_sound / (2 * np.pi)
OBSERVATION = Observation(FREQUENCY, np.arange(0, 91, 5) * DEGREE)
PISTON = closed_forms.piston_impedance(SIZES)
METHODS = pytest.mark.parametrize("method", radiation.METHODS)


def piston(source: Source) -> Waveguide:
    """A disc a micrometre behind the baffle, as good as in it."""
    return Waveguide(Points(((0.0, RADIUS), (1e-6, RADIUS))), Driver(RADIUS, source=source))


def solved(source: Source, method: radiation.Method) -> Directivity:
    return radiation.solver("full", method=method)(piston(source), OBSERVATION, AIR)


def on_axis(velocity: np.ndarray) -> np.ndarray:
    """Pa m of the piston that moves with these velocities, but for the micrometre."""
    unit = known_sounds.piston_pressure(FREQUENCY, 0.0, radius=RADIUS, velocity=1.0, air=AIR)[:, 0]
    return unit * velocity


@METHODS
def test_given_velocity(method: radiation.Method) -> None:
    # 1e-3: both solvers' error of the piston, and the micrometre.
    np.testing.assert_allclose(solved(Source(), method).on_axis, on_axis(np.ones(5)), rtol=1e-3)


@METHODS
def test_given_pressure(method: radiation.Method) -> None:
    """The piston's velocity is 1 Pa over its impedance, with Struve's function."""
    found = solved(Source("pressure"), method)
    np.testing.assert_allclose(found.on_axis, on_axis(1.0 / (AIR.impedance * PISTON)), rtol=2e-3)  # twice the above
    power = np.pi * RADIUS**2 / AIR.impedance * (1.0 / PISTON).real
    np.testing.assert_allclose(found.sound_power, power, rtol=4e-3)  # as a square


@METHODS
def test_source_impedance(method: radiation.Method) -> None:
    """U = p0 / (Zs + Zt), interpolated where asked between the frequencies given."""
    inside, blocked = 0.4 + SIZES * 1j, 2.0 + SIZES
    given = [*FREQUENCY, 1.5 * FREQUENCY[-1]]
    source = Source("impedance", tuple(given), (*inside, 1j), (*blocked, 1.0))
    found = solved(source, method)
    wanted = on_axis(blocked / (AIR.impedance * (inside + PISTON)))
    np.testing.assert_allclose(found.on_axis, wanted, rtol=2e-3)  # as above


@METHODS
def test_matched_impedance_takes_all_the_power_there_is(method: radiation.Method) -> None:
    """Zs the conjugate of Zt: p0^2 / (4 Re Zs), and no other source of that resistance gives more."""
    area = np.pi * RADIUS**2
    matched = Source("impedance", tuple(FREQUENCY), tuple(PISTON.conj()), (1.0,) * 5)
    available = area / (4 * AIR.impedance * PISTON.real)
    np.testing.assert_allclose(solved(matched, method).sound_power, available, rtol=2e-3)  # the piston's impedance
    detuned = Source("impedance", tuple(FREQUENCY), tuple(PISTON.conj() + 0.2j), (1.0,) * 5)
    assert np.all(solved(detuned, method).sound_power < available)


@METHODS
def test_only_the_level_depends_on_the_source(method: radiation.Method) -> None:
    horn = Waveguide(Conical(0.06, 40 * DEGREE))
    solve = radiation.solver("screen", method=method)
    even = solve(horn, OBSERVATION, AIR)
    pressed = solve(replace(horn, driver=Driver(source=Source("pressure"))), OBSERVATION, AIR)
    np.testing.assert_array_equal(even.throat_impedance, pressed.throat_impedance)
    # Rounding: one complex factor for each frequency.
    np.testing.assert_allclose(metrics.directivity_index(even), metrics.directivity_index(pressed), atol=1e-9)
    np.testing.assert_allclose(
        even.pressure / even.pressure[..., :1], pressed.pressure / pressed.pressure[..., :1], atol=1e-9
    )
    assert not np.allclose(np.abs(even.on_axis), np.abs(pressed.on_axis))


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (Source(), "1 m/s rms over the exit"),
        (Source("pressure"), "1 Pa rms at the exit"),
        (
            Source("impedance", tuple(FREQUENCY), tuple(PISTON), (1.0,) * 5),
            "blocked pressure behind the source's impedance",
        ),
    ],
    ids=["velocity", "pressure", "impedance"],
)
def test_provenance_names_the_source(source: Source, words: str) -> None:
    found = radiation.solver("estimate")(piston(source), OBSERVATION, AIR)
    assert found.provenance["source"] == words
    assert found.provenance["method"] == "march"


def test_frequencies_that_the_source_does_not_cover_are_refused() -> None:
    source = Source("impedance", (1000.0, 2000.0), (1.0, 1.0), (1.0, 1.0))
    with pytest.raises(ValueError, match="given from 1000 to 2000 Hz: must cover what is asked, 109"):
        solved(source, "march")
