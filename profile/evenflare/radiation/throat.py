"""What a throat does, mode by mode: the pressure that flux through one mode causes in the others, and what it sends
out; and what flux an exit that stands askew adds.

An exit that is turned by a small angle about the throat's centre is a boundary moved from where the equations have it.
With q a test function that does not change along the normal, eta the way along the normal and tau that along the
surface, to first order the weak form's right side gains

    int eta (grad p . grad q - k^2 p q) dS + int g (tau . grad q) dS,

gradients within the surface, g = j w rho v the flux density of the exit, whose points keep their velocity: on a flat
exit the pointwise condition u_z = -eta du_z/dz + grad eta . u. To second order terms of p's change and of eta^2 join
them. Worked out here; the first is Hadamard's variation of the domain, as in Henrot & Pierre (2018), Shape Variation
and Optimization, chapter 5 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.radiation.elements import EXTRA_POINTS
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.ledge import PROFILE_POINTS, Profile
from evenflare.radiation.march import refining
from evenflare.radiation.medium import Medium
from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.wavefront import FLAT
from evenflare.units import ComplexArray, FloatArray, IntArray

STEP = 1e-3
"""rad, for differences of where an exit's points come to lie: their error is its square, a sixth of a millionth."""


@dataclass(frozen=True)
class ThroatResponse:
    """Of the S modes of the first cap at frequencies (F,).

    impedance : (F, S, S) the pressure in one mode for unit flux in another.
    outgoing  : (F, D, S) coefficients of the waves that leave for unit flux in each.
    order     : (S,) of the modes, below 0 for sines, and
    degree    : (S,) radial.
    """

    impedance: ComplexArray
    outgoing: ComplexArray
    order: IntArray
    degree: IntArray


def throat_response(medium: Medium, wavenumber: FloatArray, resolution: Resolution) -> ThroatResponse:
    """At wavenumbers (F,) in rad/m, on elements made for the highest. ValueError if the wall cannot be solved."""

    def attempted(tried: Resolution) -> ThroatResponse:
        elements = medium.elements(medium.sweep, float(wavenumber[-1]), tried)
        count = int(elements.modes[0])
        stiffness, flux, met = eliminated(elements, wavenumber, np.eye(count))
        radiation = medium.end.radiation(wavenumber, flux.shape[2])
        last: ComplexArray = np.asarray(np.linalg.solve(stiffness + radiation.admittance, np.swapaxes(flux, 1, 2)))
        outgoing = np.stack([radiation.outgoing(last[:, :, i]) for i in range(count)], axis=2)
        return ThroatResponse(np.asarray(met + flux @ last, dtype=np.complex128), outgoing, *medium.modes(count))

    return refining(attempted, resolution)


@dataclass(frozen=True)
class Exit:
    """The exit as the first cap: a sphere's, that meets the wall at `radius`, m, in the plane z = 0.

    half_angle : rad, from its centre; 0 is flat.
    profile    : of its velocity, unless it is even.
    modes      : (order, degree) of those that are even about both planes, and
    turned     : of those that are odd about the one across the tilt, of order 1 alone in a round waveguide.
    toward     : rad, azimuth toward which the driver's axis leans.
    """

    radius: float
    half_angle: float
    profile: Profile | None
    modes: tuple[IntArray, IntArray]
    turned: tuple[IntArray, IntArray]
    toward: float

    @cached_property
    def _b(self) -> float:
        return max(self.half_angle, FLAT)

    @cached_property
    def _sphere(self) -> float:
        """m, its radius."""
        return self.radius / float(np.sin(self._b))

    @cached_property
    def _back(self) -> float:
        """m, from the throat's centre back to the sphere's."""
        return self._sphere * float(np.cos(self._b))

    @cached_property
    def _grid(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Eta (Q, 1), psi (1, P) and the area (Q, 1) over 2 pi P that points stand for."""
        orders = [int(np.abs(order).max()) for order, _ in (self.modes, self.turned)]
        degrees = max(int(degree.max()) for _, degree in (self.modes, self.turned))
        points = PROFILE_POINTS if self.profile else degrees + max(orders) + 2 * EXTRA_POINTS
        u, weights = radial_quadrature(points)
        count = 2 * sum(orders) + 8
        psi = np.asarray(np.arange(count) * (2 * np.pi / count), dtype=np.float64)
        eta = np.sqrt(u)
        area = weights / eta * self._sphere**2 * self._b * np.sin(self._b * eta)
        return eta[:, None], psi[None], np.asarray(area[:, None] / psi.size)

    @cached_property
    def _driven(self) -> tuple[FloatArray, FloatArray]:
        """(Q, 1) the flux density for unit flux, and its slope along the surface, 1/m."""
        eta, psi, area = self._grid
        scale = 1.0 / float(np.sum(self._moves(eta) * area) * psi.size)
        slope = (self._moves(eta + STEP) - self._moves(eta - STEP)) / (2 * STEP * self._sphere * self._b)
        return scale * self._moves(eta), scale * slope

    def _moves(self, eta: FloatArray) -> FloatArray:
        """Relative velocity."""
        if self.profile is None:
            return np.ones_like(eta)
        return self.profile(np.sin(self._b * eta) / np.sin(self._b))

    def _basis(self, modes: tuple[IntArray, IntArray], eta: FloatArray, psi: FloatArray) -> tuple[FloatArray, ...]:
        """(N, S) values at points (N,), and slopes over eta and over psi."""
        order, degree = modes
        values, slopes, turning = np.empty((3, eta.size, order.size))
        for m in np.unique(order):
            mine = order == m
            radial, slope = zernike(abs(int(m)), int(degree[mine].max()) + 1, eta**2)
            radial, slope = radial[:, degree[mine]], slope[:, degree[mine]]
            shift, norm = (0.5 * np.pi if m < 0 else 0.0), (np.sqrt(2.0) if m else 1.0)
            cosine = norm * np.cos(abs(m) * psi - shift)[:, None]
            sine = norm * np.sin(abs(m) * psi - shift)[:, None]
            values[:, mine], slopes[:, mine] = radial * cosine, slope * cosine
            turning[:, mine] = -abs(m) * radial * sine
        return values, slopes, turning

    def _products(
        self, rows: tuple[IntArray, IntArray], columns: tuple[IntArray, IntArray], weight: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Integrals of grad q . grad p and of q p times a weight (Q, P), (rows, columns)."""
        eta, psi, area = (each.ravel() for each in np.broadcast_arrays(*self._grid))
        weighted = (area * weight.ravel())[:, None]
        along, across = self._sphere * self._b, (self._sphere * np.sin(self._b * eta))[:, None]
        q, q_eta, q_psi = self._basis(rows, eta, psi)
        p, p_eta, p_psi = self._basis(columns, eta, psi)
        gradients = (weighted * q_eta).T @ p_eta / along**2 + (weighted * q_psi / across**2).T @ p_psi
        return gradients, (weighted * q).T @ p

    @cached_property
    def _risen(self) -> FloatArray:
        """(Q, P) m of height over the throat's plane."""
        eta, psi, _ = self._grid
        theta = self._b * eta
        return 2 * self._sphere * np.sin(0.5 * (self._b + theta)) * np.sin(0.5 * (self._b - theta)) + 0.0 * psi

    @cached_property
    def _lifted(self) -> FloatArray:
        """(Q, P) m along the normal, for each rad."""
        eta, psi, _ = self._grid
        return np.asarray(-self._back * np.sin(self._b * eta) * np.cos(psi - self.toward))

    def _moved(self, modes: tuple[IntArray, IntArray], angle: float) -> FloatArray:
        """(S,) flux into modes that go on along the normals, from the exit turned by an angle."""
        eta, psi, area = np.broadcast_arrays(*self._grid)
        away, z = self._sphere * np.sin(self._b * eta), self._risen
        lean, side = away * np.cos(psi - self.toward), away * np.sin(psi - self.toward)
        lean, z = lean * np.cos(angle) + z * np.sin(angle), z * np.cos(angle) - lean * np.sin(angle)
        there = np.arctan2(np.hypot(lean, side), self._back + z) / self._b
        values, _, _ = self._basis(modes, there.ravel(), (np.arctan2(side, lean) + self.toward).ravel())
        return np.asarray((area * self._driven[0]).ravel() @ values)

    @cached_property
    def first(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """For each rad, into the turned modes: what multiplies pressure, what pressure times k^2, and the part of unit
        flux (see the module); (S', S) twice, and (S',).
        """
        moved = self._moved(self.turned, STEP) - self._moved(self.turned, -STEP)
        return (*self._products(self.turned, self.modes, self._lifted), np.asarray(moved / (2 * STEP)))

    @cached_property
    def second(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """For each rad squared, into the modes themselves: the same, and the part of unit flux times k^2."""
        eta, psi, area = self._grid
        square = 0.5 * self._lifted**2
        leaning = 0.5 * self._back * (np.sin(self._b * eta) * np.cos(psi - self.toward)) ** 2
        lifted = np.cos(self._b) * (0.5 * self._risen + leaning)
        gradients, _ = self._products(self.modes, self.modes, lifted)
        _, products = self._products(self.modes, self.modes, lifted + 2.0 * square / self._sphere)
        flux, slope = self._driven
        values, slopes, _ = self._basis(self.modes, *(each.ravel() for each in np.broadcast_arrays(eta, psi)))
        sloping = (area * square * slope).ravel() @ slopes / (self._sphere * self._b)
        moved = self._moved(self.modes, STEP) + self._moved(self.modes, -STEP) - 2 * self._moved(self.modes, 0.0)
        return gradients, products, moved / (2 * STEP**2) - sloping, (area * square * flux).ravel() @ values

    def odd_flux(self, throat: ComplexArray, drive: ComplexArray, wavenumber: FloatArray) -> ComplexArray:
        """(F, S') flux into the turned modes for each rad, from the pressure (F, S) in the even ones and the flux (F,)
        of the exit at wavenumbers (F,), rad/m.
        """
        gradients, products, moved = self.first
        k2 = wavenumber[:, None] ** 2
        return np.asarray(throat @ gradients.T - k2 * (throat @ products.T) + drive[:, None] * moved)

    def even_flux(
        self, turned: ComplexArray, throat: ComplexArray, drive: ComplexArray, wavenumber: FloatArray
    ) -> ComplexArray:
        """(F, S) flux into the even modes for each rad squared, from the odd pressure (F, S') for each rad besides."""
        gradients, products, _ = self.first
        k2 = wavenumber[:, None] ** 2
        flux = turned @ gradients - k2 * (turned @ products)
        gradients, products, moved, square = self.second
        flux += throat @ gradients.T - k2 * (throat @ products.T) + drive[:, None] * (moved + k2 * square)
        return np.asarray(flux)
