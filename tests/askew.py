"""A driver that sits askew, by boundary elements: order 0 drives order 1 through the condition of a surface turned."""

from __future__ import annotations

import numpy as np

from evenflare.radiation.boundary import Boundary, boundary_of
from evenflare.radiation.boundary_field import far_pressure
from evenflare.radiation.panels import Density
from evenflare.radiation.surface_pressure import equations
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import Waveguide

FIT = 8
"""Terms of the pressure over the exit, a series in the square of the angle."""


def by_elements(
    waveguide: Waveguide, k: float, off_axis: FloatArray, *, nodes_per_wavelength: float = 10.0, order: int = 5
) -> tuple[ComplexArray, ComplexArray, float]:
    """(A,) the far pressure over density times speed of sound, m2/s, and its slope in the plane of the tilt, per rad
    by which the driver's axis leans there; and the power of the odd sound over that of the even one, per rad^2.

    Pointwise on a spherical exit that moves by eta along its normal and by tau along itself:
    j k u = -k^2 eta p - div(eta grad p) - div(g tau), and at its edge the line of flux eta p' + g tau.
    """
    boundary: Boundary = boundary_of(waveguide)
    density = Density(order=order, nodes_per_wavelength=nodes_per_wavelength)
    even, odd = (equations(boundary, wavenumber=k, density=density, order=m) for m in (0, 1))
    mesh, exit_ = even.mesh, slice(0, even.mesh.part_start[1])
    surface = even.solved(k)
    radius, half = waveguide.driver.exit_radius, max(waveguide.driver.exit_half_angle, 1e-6)
    sphere = radius / np.sin(half)
    back = sphere * np.cos(half)
    angle = np.arcsin(mesh.r[exit_] / sphere)
    share = (angle / half) ** 2
    powers = np.arange(FIT)
    series, *_ = np.linalg.lstsq(share[:, None] ** powers, surface.pressure[exit_], rcond=None)
    moving = 1j * k * (even.driven / mesh.rate)[exit_]

    def slopes(theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        x = (theta / half) ** 2
        first = (powers[1:] * x[:, None] ** (powers[1:] - 1)) @ series[1:]
        second = (powers[2:] * (powers[2:] - 1) * x[:, None] ** (powers[2:] - 2)) @ series[2:]
        x_t = 2 * theta / half**2
        return first * x_t, second * x_t**2 + first * 2 / half**2

    # Over cos(psi): eta = -back sin(theta); tau at the edge sphere sin(half)^2, its divergence -2 eta / sphere.
    first, second = slopes(angle)
    eta = -back * np.sin(angle)
    spread = (-back / sphere**2) * (np.sin(angle) * second + 2 * np.cos(angle) * first)
    pressure = (share[:, None] ** powers) @ series
    flux = -(k**2) * eta * pressure - spread + 2 * eta / sphere * moving
    edge_slope, _ = slopes(np.array([half]))
    line = -back * np.sin(half) * edge_slope[0] / sphere + moving[-1] * sphere * np.sin(half) ** 2
    driven = np.zeros(mesh.size, dtype=np.complex128)
    driven[exit_] = flux * mesh.rate[exit_] / (1j * k)
    last = exit_.stop - 1
    driven[last] += line / (1j * k) * radius / (mesh.weight[last] * mesh.r[last])
    turned = odd.solved(k, driven)
    cosine = np.cos(off_axis)
    far = [
        far_pressure(k, cosine, each, mesh=mesh, baffled=boundary.baffled, reference_z=0.0, order=m)
        for m, each in ((0, surface), (1, turned))
    ]
    return far[0], far[1], odd.power(k, turned) / even.power(k, surface)
