"""`evenflare check`: is this installation sound? Closed forms against the solvers, and the surroundings, in seconds."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import NamedTuple

import numpy as np

from evenflare import closed_forms, metrics, radiation
from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Mounting, Oblong, Points, Waveguide

LIBRARIES = (
    *("numpy", "scipy", "numba", "cma", "pydantic", "shapely", "manifold3d", "numpy-stl", "matplotlib", "jinja2"),
)


class Check(NamedTuple):
    """What was looked at, what was found, and whether it is as it should be."""

    name: str
    found: str
    passed: bool


def checks() -> Iterator[Check]:
    """Each check as it is done."""
    yield Check("Python", sys.version.split()[0], sys.version_info >= (3, 11))
    for library in LIBRARIES:
        try:
            yield Check(library, version(library), True)
        except PackageNotFoundError:
            yield Check(library, "missing: install evenflare again", False)
    yield _writable()
    yield from _piston()
    yield _oblong()
    yield from _cap()
    yield _pipe()
    yield _energy()


def _writable() -> Check:
    try:
        with tempfile.TemporaryFile(dir=Path.cwd()):
            return Check("this folder", "can be written", True)
    except OSError as error:
        return Check("this folder", f"cannot be written ({error.strerror}): results must go elsewhere", False)


def _observation(sizes: list[float], radius: float, air: Air) -> Observation:
    frequency = np.array(sizes) / radius * air.speed_of_sound / (2 * np.pi)
    return Observation(frequency=frequency, off_axis=np.linspace(0.0, np.pi, 13))


def _flush(radius: float) -> Points:
    """A tube of no length that matters, 1e-5 of its radius: the exit flush with its surroundings."""
    return Points(((0.0, radius), (1e-5 * radius, radius)))


def _piston() -> Iterator[Check]:
    radius, air = Driver().exit_radius, Air()
    observation = _observation([0.5, 1, 2, 3, 5, 10], radius, air)
    found = radiation.solver("full")(Waveguide(_flush(radius)), observation, air)
    size = found.wavenumber * radius
    off = np.abs(metrics.directivity_index(found) - closed_forms.piston_index(size)).max()
    yield Check("flat piston in a baffle, index", f"{off:.5f} dB from the closed form, allowed 0.001", bool(off < 1e-3))
    assert found.throat_impedance is not None
    away = np.abs(found.throat_impedance - closed_forms.piston_impedance(size)).max()
    yield Check("flat piston, impedance", f"{away:.5f} from the Struve function's, allowed 0.001", bool(away < 1e-3))


def _oblong() -> Check:
    """The oblong solver on a disc, which it takes for an ellipse like any other."""
    radius, air = Driver().exit_radius, Air()
    shape = Oblong(_flush(radius), _flush(radius))
    found = radiation.solver("full")(Waveguide(shape), _observation([0.5, 2, 5, 10], radius, air), air)
    off = np.abs(metrics.directivity_index(found) - closed_forms.piston_index(found.wavenumber * radius)).max()
    return Check(
        "flat piston as an oblong shape", f"{off:.5f} dB from the closed form, allowed 0.001", bool(off < 1e-3)
    )


def _cap() -> Iterator[Check]:
    """A cap of a rigid sphere by both methods, which share nothing but the wall."""
    radius, half_angle, air = 0.1, 30 * DEGREE, Air()
    driver = Driver(radius * np.sin(half_angle), half_angle)
    waveguide = Waveguide(_flush(driver.exit_radius), driver, Mounting(radius))
    observation = _observation([1, 2, 5], radius, air)
    for method in radiation.METHODS:
        found = radiation.solver("full", method=method)(waveguide, observation, air)
        wanted = closed_forms.cap_index(found.wavenumber * radius, half_angle=half_angle, motion="radial")
        off = np.abs(metrics.directivity_index(found) - wanted).max()
        yield Check(
            f"cap on a rigid sphere, index, by {method.replace('_', ' ')}",
            f"{off:.5f} dB from the series, allowed 0.003",
            bool(off < 3e-3),
        )


def _pipe() -> Check:
    """A tube that ends flush in a baffle is longer to a long wave by 0.8216 radii.

    Source: Dalmont, Nederveen & Joly (2001), J. Sound Vib. 244, 505, after Norris & Sheng (1989).
    """
    radius, air = Driver().exit_radius, Air()
    length = 6.0 * radius  # at its mouth the exit's own flow has long become even
    waveguide = Waveguide(Points(((0.0, radius), (length, radius))))
    found = radiation.solver("full", method="boundary_elements")(waveguide, _observation([0.02], radius, air), air)
    assert found.throat_impedance is not None
    impedance = complex(found.throat_impedance[0])
    turned = (1.0 - impedance) / (1.0 + impedance) * np.exp(2j * found.wavenumber[0] * length)
    correction = float(-np.angle(turned) / (2.0 * found.wavenumber[0] * radius))
    return Check(
        "tube in a baffle, end correction, by boundary elements",
        f"{correction:.4f} radii, allowed 0.8216 +- 0.001",
        abs(correction - 0.8216) < 1e-3,
    )


def _energy() -> Check:
    air = Air()
    waveguide = Waveguide(Conical(0.09, 40 * DEGREE, 0.015))
    observation = Observation(frequency=np.array([500.0, 3e3, 15e3]), off_axis=np.array([0.0]))
    found = radiation.solver("full")(waveguide, observation, air)
    assert found.throat_impedance is not None
    assert found.sound_power is not None
    put_in = found.throat_impedance.real * air.impedance * waveguide.driver.exit_area
    off = np.abs(found.sound_power / put_in - 1).max()
    return Check("power in against power out", f"{off:.1e} apart, allowed 1e-06", bool(off < 1e-6))
