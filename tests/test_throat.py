"""The throat mode by mode: sound of azimuthal order 1 in tube and cone, and what an exit that sits askew adds."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import hankel2, jnp_zeros, jv, jvp, lpmv, yv

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.elements import NODE_POINTS, Elements, assembled
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.field import pressure
from evenflare.radiation.medium import medium
from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.radiation.resolution import ROUND
from evenflare.radiation.throat import Exit, throat_response
from evenflare.radiation.wavefront import Caps
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import (
    Conical,
    Waveguide,
)

AIR = Air()
RADIUS = 12.7e-3
MODES = 12


def closed(elements: Elements, k: float, source: FloatArray) -> float:
    """The pressure, weighted like the source, that its flux into the first cap makes where the last one is rigid."""
    stiffness, flux, met = eliminated(elements, np.array([k]), source[None])
    return float(met[0, 0, 0] + flux[0, 0] @ np.linalg.solve(stiffness[0], flux[0, 0]))


def along(start: float, end: float, count: int) -> FloatArray:
    """(count, 4) places of the nodes of equal elements."""
    edges = np.linspace(start, end, count + 1)
    return edges[:-1, None] + np.diff(edges)[:, None] * (0.5 * (1.0 + NODE_POINTS))


def projected(function: FloatArray, u: FloatArray, weights: FloatArray, order: int) -> FloatArray:
    """(MODES,) coefficients over a flat cap."""
    return zernike(order, MODES, u)[0].T @ (weights * function)


class TestOrderOne:
    @pytest.mark.parametrize("size", [1.2, 1.84, 2.5, 4.0])
    def test_a_tube_carries_it_from_its_cut_on(self, size: float) -> None:
        """J1(x r / a), J1'(x) = 0 at 1.8412: between a source and a rigid end a wave of axial wavenumber
        sqrt(k^2 - (x / a)^2), or below that none (Morse & Ingard 1968, section 9.2, from memory).
        """
        a, length, x = 0.02, 0.05, jnp_zeros(1, 1)[0]
        z = along(0.0, length, 24)
        elements = assembled(Caps(z, np.full_like(z, a), np.zeros_like(z)), np.full(24, MODES), order=1)
        u, weights = radial_quadrature(40)
        shape = jv(1, x * np.sqrt(u))
        axial = np.sqrt(complex((size / a) ** 2 - (x / a) ** 2))
        # Flux density of that shape times area over 2 pi, against its own mean square.
        expected = a**2 * (weights @ shape**2) * (-1.0 / (axial * np.tan(axial * length))).real
        found = closed(elements, size / a, a**2 * projected(shape, u, weights, 1))
        assert found == pytest.approx(
            expected, rel=1e-6
        )  # their error goes with the sixth power of a 24th of this length

    def test_a_cone_carries_it_as_a_spherical_wave(self) -> None:
        """P_v^1(cos t) of the degree v whose slope vanishes at the wall, times Bessel functions of order v + 1/2 of the
        distance (Morse & Ingard 1968, section 7.2, from memory).
        """
        half, near, far, k = 0.5, 0.03, 0.09, 90.0
        slope = 1e-5

        def rises(v: float) -> float:
            return float(lpmv(1, v, np.cos(half + slope)) - lpmv(1, v, np.cos(half - slope)))

        v = brentq(rises, 2.5, 4.5, xtol=1e-10)
        distance = along(near, far, 16)
        caps = Caps(distance * np.cos(half), distance * np.sin(half), np.full_like(distance, half))
        elements = assembled(caps, np.full(16, MODES), order=1)
        u, weights = radial_quadrature(60)
        theta = half * np.sqrt(u)
        shape = lpmv(1, v, np.cos(theta))
        area = weights * half * np.sin(theta) / np.sqrt(u)
        source = near**2 * (zernike(1, MODES, u)[0].T @ (area * shape))

        def radial(r: float, kind) -> float:  # type: ignore[no-untyped-def]
            return float(kind(v + 0.5, k * r) / np.sqrt(k * r))

        def slope_of(r: float, kind) -> float:  # type: ignore[no-untyped-def]
            return (radial(r + 1e-7, kind) - radial(r - 1e-7, kind)) / 2e-7

        mixed = -slope_of(far, jv) / slope_of(far, yv)
        ratio = (radial(near, jv) + mixed * radial(near, yv)) / -(slope_of(near, jv) + mixed * slope_of(near, yv))
        expected = near**2 * (area @ shape**2) * ratio
        assert closed(elements, k, source) == pytest.approx(expected, rel=1e-5)  # differences of steps of 1e-7

    def test_a_piston_whose_velocity_grows_across_it(self) -> None:
        """Velocity x over a disc in a baffle: its transform is 2 pi j a^2 J2(b a) / b, with b = k sin t (Abramowitz &
        Stegun 1964, 9.1.30), which times j k / (2 pi) is the far pressure over density times speed of sound.
        """
        flush = Waveguide(Conical(1e-6, 0.3))
        k = np.array([60.0, 150.0, 300.0])
        air = medium(flush, ROUND["full"].refined(), float(k[-1]), odd_in="x")
        response = throat_response(air, k, ROUND["full"].refined())
        u, weights = radial_quadrature(30)
        # x = r cos(a), of which sqrt(2) cos(a) is the mode's.
        flux = RADIUS**3 * (zernike(1, response.order.size, u)[0].T @ (weights * np.sqrt(u))) / np.sqrt(2.0)
        outgoing = (1j * k)[:, None] * (response.outgoing @ flux)
        angle = np.linspace(0.05, np.pi / 2, 8)
        seen = Observation(k, angle, reference_z=1e-6)
        found = pressure(outgoing, k, end=air.end, observation=seen)[:, 0]
        across = k[:, None] * np.sin(angle)
        expected = -k[:, None] * RADIUS**2 * jv(2, across * RADIUS) / across
        # The edge, where velocity jumps, is resolved by a dozen modes.
        np.testing.assert_allclose(found, expected, rtol=0, atol=3e-3 * np.abs(expected).max())


Mode = tuple[int, float]
"""Azimuthal order, and what else tells it: the wavenumber across a tube times its radius, or the degree in a cone."""


def coupled(
    exit_: Exit, size: float, total: float, impedance: tuple[ComplexArray, ComplexArray], moved: tuple[FloatArray, ...]
) -> tuple[ComplexArray, ComplexArray]:
    """The odd pressure of first order and the even one of second order, in modes of the exit; `moved` the parts of unit
    flux: as the exit stands, and of first and second order.
    """
    even, odd = impedance
    k, drive = np.array([size]), np.array([1j * size * total])
    throat = drive[:, None] * (even @ moved[0])
    turned = (exit_.odd_flux(throat, drive, k) + drive * (moved[1] - exit_.first[2])) @ odd.T
    back = exit_.even_flux(turned, throat, drive, k) + drive * (moved[2] - exit_.second[2])
    return turned[0], even @ back[0]


def galerkin(normal: ComplexArray, values: FloatArray, area: FloatArray) -> ComplexArray:
    """Coefficients of modes whose velocities (N, M) along a face's normal make 1, weighted with their `values`."""
    return np.linalg.solve((values * area[:, None]).T @ normal, values.T @ area)


def differences(exactly, step: float = 0.01) -> tuple[ComplexArray, ComplexArray]:  # type: ignore[no-untyped-def]
    """First and second order of what depends on an angle; their errors go with the step's square."""
    plus, minus, still = exactly(step), exactly(-step), exactly(0.0)
    return (plus - minus) / (2 * step), (plus + minus - 2 * still) / (2 * step**2)


class TestAskewInATube:
    """An exit that leans in a straight tube, at a finite angle: modes of the tube (Morse & Ingard 1968, section 9.2)
    that meet the condition on the leaning plane, which holds for slopes below 0.448 (Rayleigh's hypothesis; Millar
    1973, Radio Sci. 8, 785, from memory).
    """

    SIZE = 3.0
    """Wavenumber times radius: above the cut-on of the first wave of order 1, below that of the first of order 0."""
    KNOWN: tuple[Mode, ...] = tuple(
        (m, float(x)) for m in range(4) for x in ([0.0] if m == 0 else []) + list(jnp_zeros(m, 10))
    )

    def exactly(self, angle: float) -> ComplexArray:
        """Coefficients of the modes J_m(x r) cos(m a) exp(-j b z), for unit velocity of the whole leaning face."""
        u, weights = radial_quadrature(40)
        r, psi = np.repeat(np.sqrt(u), 24), np.tile((np.arange(24) + 0.5) * np.pi / 24, 40)
        z = -r * np.cos(psi) * np.tan(angle)
        normal, values = [], []
        for m, x in self.KNOWN:
            axial = np.conj(np.sqrt(complex(self.SIZE**2 - x**2)))
            value, slope = jv(m, x * r), x * jvp(m, x * r)
            towards = slope * np.cos(m * psi) * np.cos(psi) + m * value / r * np.sin(m * psi) * np.sin(psi)
            gradient = np.sin(angle) * towards - np.cos(angle) * 1j * axial * value * np.cos(m * psi)
            normal.append(-gradient * np.exp(-1j * axial * z) / (1j * self.SIZE))
            values.append(value * np.cos(m * psi))
        return galerkin(np.array(normal).T, np.array(values).T, np.repeat(weights, 24))

    def impedance(self, order: int) -> ComplexArray:
        """Of the tube, in modes of the exit."""
        u, weights = radial_quadrature(60)
        found = np.zeros((MODES, MODES), dtype=np.complex128)
        for x in [0.0] * (order == 0) + list(jnp_zeros(order, 25)):
            shape = jv(order, x * np.sqrt(u))
            share = zernike(order, MODES, u)[0].T @ (weights * shape)
            axial = np.conj(np.sqrt(complex(self.SIZE**2 - x**2)))
            found += np.outer(share, share) / (weights @ shape**2) / (1j * axial)
        return found

    def test_first_and_second_order(self) -> None:
        degrees = np.arange(MODES)
        exit_ = Exit(1.0, 0.0, None, (0 * degrees, degrees), (0 * degrees + 1, degrees), 0.0)
        u, weights = radial_quadrature(60)
        mean = 2.0 * zernike(0, MODES, u)[0].T @ weights
        turned, back = coupled(
            exit_,
            self.SIZE,
            0.5,
            (self.impedance(0), self.impedance(1)),
            (mean, exit_.first[2], exit_.second[2]),
        )
        first, second = differences(self.exactly)
        x = float(jnp_zeros(1, 1)[0])
        shape = jv(1, x * np.sqrt(u))
        # Of the wave of order 1 that the tube carries, and of the plane one.
        one = np.sqrt(2.0) * (zernike(1, MODES, u)[0] @ turned) @ (weights * shape) / (weights @ shape**2)
        plane = 2.0 * (zernike(0, MODES, u)[0] @ back) @ weights
        # Differences over 0.01 rad: the square is 1e-4.
        assert one == pytest.approx(first[self.KNOWN.index((1, x))], rel=3e-4)
        # The face that leans is larger, by half the angle's square, than the exit, which stays itself.
        assert plane == pytest.approx(second[0] - 0.5, rel=3e-4)


class TestAskewInACone:
    """The same of a curved exit: in the cone whose wall stands on it, whose waves are P_v^m(cos t) times spherical
    Hankel functions, with degrees v whose slope vanishes at the wall (Morse & Ingard 1968, section 7.2, from memory).
    Here what leans is the whole of the moved sphere within the cone.
    """

    HALF, SIZE = 0.4, 2.5
    SPHERE = 1.0 / float(np.sin(HALF))
    BACK = SPHERE * float(np.cos(HALF))

    @staticmethod
    def polar(m: int, v: float, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """P_v^m and its slope (Abramowitz & Stegun 1964, 8.5.4)."""
        value = lpmv(m, v, np.cos(theta))
        lower = lpmv(m, v - 1.0, np.cos(theta)) if v > 0 else np.zeros_like(theta)
        return value, (v * np.cos(theta) * value - (v + m) * lower) / np.sin(theta)

    def degrees(self, m: int, count: int) -> list[float]:
        wall = np.array([self.HALF])
        tried = np.arange(m + 0.3, 60.0, 0.25)
        slopes = [self.polar(m, v, wall)[1][0] for v in tried]
        found = [0.0] if m == 0 else []
        for low, high, one, other in zip(tried[:-1], tried[1:], slopes[:-1], slopes[1:], strict=True):
            if one * other < 0.0 and len(found) < count:
                found.append(brentq(lambda v: self.polar(m, v, wall)[1][0], low, high, xtol=1e-12))
        return found

    def radial(self, v: float, r: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """h_v(k r) over that at the exit, and its slope."""
        x, at = self.SIZE * r, self.SIZE * self.SPHERE
        scale = np.sqrt(0.5 * np.pi / at) * hankel2(v + 0.5, at)
        value = np.sqrt(0.5 * np.pi / x) * hankel2(v + 0.5, x)
        slope = np.sqrt(0.5 * np.pi / x) * hankel2(v - 0.5, x) - (v + 1.0) / x * value
        return value / scale, self.SIZE * slope / scale

    def moved(self, angle: float, theta: FloatArray, psi: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of the sphere turned about the throat's centre: distance from the cone's apex in directions, and the cosines
        of its normal with them and with the direction of rising theta.
        """
        aside, ahead = -self.BACK * np.sin(angle), self.BACK * (1.0 - np.cos(angle))
        along = aside * np.sin(theta) * np.cos(psi) + ahead * np.cos(theta)
        r = along + np.sqrt(self.SPHERE**2 - aside**2 - ahead**2 + along**2)
        falling = aside * np.cos(theta) * np.cos(psi) - ahead * np.sin(theta)
        return r, (r - along) / self.SPHERE, -falling / self.SPHERE

    def exactly(self, angle: float) -> ComplexArray:
        """Coefficients of the modes, 1 at the exit, for unit velocity of the whole moved face."""
        u, weights = radial_quadrature(40)
        theta, psi = np.repeat(self.HALF * np.sqrt(u), 24), np.tile((np.arange(24) + 0.5) * np.pi / 24, 40)
        r, outward, across = self.moved(angle, theta, psi)
        around = -self.BACK * np.sin(angle) * np.sin(psi) / self.SPHERE  # of the normal with that of rising psi
        normal, values = [], []
        for m, v in self.known:
            (polar, slope), (value, rising) = self.polar(m, v, theta), self.radial(v, r)
            gradient = rising * polar * np.cos(m * psi) * outward + value / r * (
                slope * np.cos(m * psi) * across - m / np.sin(theta) * polar * np.sin(m * psi) * around
            )
            normal.append(-gradient / (1j * self.SIZE))
            values.append(polar * np.cos(m * psi))
        area = np.repeat(weights, 24) * np.sin(theta) / theta
        return galerkin(np.array(normal).T, np.array(values).T, area)

    @cached_property
    def known(self) -> list[Mode]:
        return [(m, v) for m in range(4) for v in self.degrees(m, 7)]

    def impedance(self, order: int) -> ComplexArray:
        """Of the cone, in modes of the exit."""
        u, weights = radial_quadrature(60)
        theta = self.HALF * np.sqrt(u)
        area = weights * self.SPHERE**2 * self.HALF * np.sin(theta) / np.sqrt(u)
        found = np.zeros((MODES, MODES), dtype=np.complex128)
        for m, v in self.known:
            if m == order:
                shape, _ = self.polar(m, v, theta)
                share = zernike(order, MODES, u)[0].T @ (weights * shape)
                value, rising = self.radial(v, np.array([self.SPHERE]))
                found += np.outer(share, share) / (area @ shape**2) * -value / rising
        return found

    def test_first_and_second_order(self) -> None:
        degrees = np.arange(MODES)
        exit_ = Exit(1.0, self.HALF, None, (0 * degrees, degrees), (0 * degrees + 1, degrees), 0.0)
        u, weights = radial_quadrature(60)
        theta, psi = self.HALF * np.sqrt(u), np.linspace(0.0, 2 * np.pi, 16, endpoint=False)
        area = weights * self.HALF * np.sin(theta) / np.sqrt(u)
        total = self.SPHERE**2 * area.sum()

        def flux(angle: float) -> tuple[FloatArray, FloatArray]:
            """Of the whole moved face, into modes of both orders."""
            r, outward, _ = self.moved(angle, theta[:, None], psi)
            density = area[:, None] * r**2 / outward / total
            even = zernike(0, MODES, u)[0].T @ density.mean(axis=1)
            return even, zernike(1, MODES, u)[0].T @ (density * np.sqrt(2.0) * np.cos(psi)).mean(axis=1)

        evens, odds = (
            [part(flux(angle)) for angle in (0.01, -0.01, 0.0)] for part in (lambda both: both[0], lambda both: both[1])
        )
        moved = (evens[2], (odds[0] - odds[1]) / 0.02, (evens[0] + evens[1] - 2 * evens[2]) / (2 * 0.01**2))
        turned, back = coupled(exit_, self.SIZE, total, (self.impedance(0), self.impedance(1)), moved)
        first, second = differences(self.exactly)
        for order, modes, exact in ((1, turned, first), (0, back, second)):
            mine = [i for i, (m, _) in enumerate(self.known) if m == order][:2]
            for i in mine:
                shape, _ = self.polar(order, self.known[i][1], theta)
                found = (zernike(order, MODES, u)[0] @ modes) @ (area * shape) / (area @ shape**2)
                # Differences over 0.01 rad, of one series of modes; the second wave of each order is 0.1 of the first.
                assert found * np.sqrt(1.0 + order) == pytest.approx(exact[i], abs=1e-3 * abs(exact[mine[0]]))
