"""The driver's exit in the throat's plane, up to the wall, which may begin wider or narrower, and need not be round."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.exterior.patches import Map, SmoothPatch
from evenflare.units import FloatArray
from evenflare.waveguide import Driver
from evenflare.waveguide.surface import Surface

MIDDLE = 0.55
"""Of the disc's radius, half the side of the square within it."""
MET = 1e-6
"""m; an exit and a wall that are no farther apart meet."""
STRIP = 0.02
"""Of the exit's radius, the least width of the strip beside the wall in which what lies between the two is spread."""
_AROUND = np.linspace(0.0, 0.5 * np.pi, 65)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True)
class Throat:
    """An exit behind a wall.

    inner : m, radius of the disc that moves as the driver does. What the rest of the exit moves, be there a still ledge
            beside it or the wall's face before it, is spread at each azimuth over the strip from there to the wall:
            seen from afar that is the same, to second order in its width.
    """

    surface: Surface
    driver: Driver
    inner: float

    def edge(self, psi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """m, x and y of the wall's edge at elliptic parameters psi, rad."""
        zero = np.zeros_like(psi)
        axes = self.surface.axes(zero, stretch=0)
        factor = self.surface.factor(zero, axes.a, axes.b, psi)
        return np.asarray(axes.a * factor * np.cos(psi)), np.asarray(axes.b * factor * np.sin(psi))

    def moving(self, place: FloatArray) -> FloatArray:
        """(N,) relative velocity at places (N, 2), m from the axis."""
        away, radius = np.hypot(place[:, 0], place[:, 1]), self.driver.exit_radius
        found = self.driver.velocity(away / radius)
        beyond = away > self.inner
        if not beyond.any():
            return found
        axes = self.surface.axes(np.zeros(1), stretch=0)
        wall = np.hypot(*self.edge(np.arctan2(np.abs(place[beyond, 1]) / axes.b, np.abs(place[beyond, 0]) / axes.a)))
        width = wall - self.inner
        at = self.inner + 0.5 * (radius - self.inner) * (1.0 + _NODES)
        flow = 0.5 * (radius - self.inner) * _WEIGHTS * at * self.driver.velocity(at / radius)
        # Straight over the strip, so that the flow, and where in the strip it leaves, are right.
        whole, moment = flow.sum(), np.minimum((at - self.inner) / width[:, None], 1.0) @ flow
        first, second, third = (width * (self.inner / (n + 1) + width / (n + 2)) for n in range(3))
        slope = (moment * first - whole * second) / (third * first - second**2)
        found[beyond] = (whole - slope * second) / first + slope * (away[beyond] - self.inner) / width
        return found

    @property
    def patches(self) -> tuple[SmoothPatch, ...]:
        """The quarter about z = 0, or of a cap that bulges forward: a square, what is round it, and a strip if any."""
        disc = _disc(self.inner, self.driver)
        return disc if self.inner >= self.driver.exit_radius else (*disc, *self._strip)

    @property
    def _strip(self) -> tuple[SmoothPatch, ...]:
        on = _cap(self.driver)

        def half(first: float) -> Map:
            def place(u: FloatArray, v: FloatArray) -> FloatArray:
                u, v = np.broadcast_arrays(u, v)
                x, y = self.edge(first + 0.25 * np.pi * u)
                inside = self.inner / np.hypot(x, y)
                begin, end = on(x * inside, y * inside), np.stack([x, y, np.zeros_like(x)], axis=-1)
                return np.asarray(begin + v[..., None] * (end - begin))

            return place

        return SmoothPatch(half(0.0)), SmoothPatch(half(0.25 * np.pi))


def throat_of(surface: Surface, driver: Driver) -> Throat:
    """The throat of a wall: with no strip where exit and wall meet."""
    radius = driver.exit_radius
    whole = Throat(surface, driver, radius)
    if surface.off_exit(radius) <= MET:
        return whole
    wall = np.hypot(*whole.edge(_AROUND))
    return Throat(surface, driver, min(radius, float(wall.min())) - STRIP * radius)


def _cap(driver: Driver) -> Map:
    half_angle = driver.exit_half_angle

    def on(x: FloatArray, y: FloatArray) -> FloatArray:
        if half_angle <= 0.0:
            return np.stack([x, y, np.zeros_like(x)], axis=-1)
        ball = driver.exit_radius / np.sin(half_angle)
        return np.stack([x, y, np.sqrt(ball**2 - x**2 - y**2) - ball * np.cos(half_angle)], axis=-1)

    return on


def _disc(radius: float, driver: Driver) -> tuple[SmoothPatch, ...]:
    side, on = MIDDLE * radius, _cap(driver)

    def square(u: FloatArray, v: FloatArray) -> FloatArray:
        u, v = np.broadcast_arrays(u, v)
        return on(side * u, side * v)

    def beside(u: FloatArray, v: FloatArray) -> FloatArray:
        turn = 0.25 * np.pi * u
        return on((1 - v) * side + v * radius * np.cos(turn), (1 - v) * side * u + v * radius * np.sin(turn))

    def above(u: FloatArray, v: FloatArray) -> FloatArray:
        turn = 0.25 * np.pi * (1.0 + u)
        return on((1 - v) * side * (1 - u) + v * radius * np.cos(turn), (1 - v) * side + v * radius * np.sin(turn))

    return SmoothPatch(square), SmoothPatch(beside), SmoothPatch(above)
