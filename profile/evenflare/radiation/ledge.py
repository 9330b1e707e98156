"""What an exit excites in the modes of a throat that is wider or narrower than it, or not quite round.

Where the wall begins beyond the exit's edge, a ledge lies between, which stands. Where it begins within, the wall's
face covers a part of the exit; what that part moves leaves past the wall's edge: seen from afar a ring of sound there,
as to first order in the step of a tube (the flow is a potential's within a few widths of the step). Either way the
volume velocity is the exit's, and what is excited changes evenly from the one to the other.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evenflare.radiation.elements import EXTRA_POINTS
from evenflare.radiation.modes import radial_quadrature, zernike
from evenflare.radiation.oblong import Domes
from evenflare.radiation.wavefront import FLAT
from evenflare.units import FloatArray, IntArray

MET = 1e-9
"""m; an exit and a wall whose radii differ by less meet."""
PROFILE_POINTS = 96
"""Gauss points over an exit whose velocity has a profile: a piecewise curve, not a smooth one."""
CLOSE, STEPS = 1e-14, 40
"""Of the way to the wall, how close the exit's edge is sought, and in how many steps at most; mostly four do."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)

Profile = Callable[[FloatArray], FloatArray]
"""Relative velocity over shares of the exit's radius."""


def through_round(half_angle: float, modes: int, profile: Profile | None, *, reach: float) -> FloatArray:
    """(1, modes) the mean over the open exit of each mode of a round throat: what averages pressure, and what an even
    motion excites. (2, modes) where the exit moves otherwise, or the throat is narrower: the second row what excites.

    half_angle : rad, of the first cap, which meets the wall at the throat.
    reach      : the exit's radius over the throat's.
    """
    b = max(half_angle, FLAT)
    edge = np.arcsin(min(reach, 1.0) * np.sin(b)) / b
    u, weights = radial_quadrature(modes + EXTRA_POINTS if profile is None else PROFILE_POINTS)
    u, weights = u * edge**2, weights * edge**2
    eta = np.sqrt(u)
    area = weights * np.sin(b * eta) / eta
    values = zernike(0, modes, u)[0]
    mean = area @ values / area.sum()
    if profile is None and reach <= 1.0:
        return np.asarray(mean[None])
    moves = profile or np.ones_like
    flow = area * moves(np.sin(b * eta) / (np.sin(b) * reach))
    # On the cap too an area is that share of the flat one.
    beside = covered(np.ones(1), reach, moves) * np.sin(b) ** 2 / (b * np.cos(b))
    moved = (flow @ values + beside @ zernike(0, modes, np.ones(1))[0]) / (flow.sum() + beside.sum())
    return np.stack([mean, moved])


def covered(edge: FloatArray, radius: float, moves: Profile) -> FloatArray:
    """What the covered part of an exit of that radius moves, for each rad, where the wall's edge is at `edge`, (N,)."""
    rest = np.maximum(radius - edge, 0.0)
    at = edge[:, None] + 0.5 * rest[:, None] * (1.0 + _NODES)
    return np.asarray(0.5 * rest * ((at * moves(at / radius)) @ _WEIGHTS))


def through_oblong(
    shell: Domes,
    modes: tuple[IntArray, IntArray],
    profile: Profile | None,
    *,
    psi: FloatArray,
    slope: FloatArray,
    radius: float,
) -> FloatArray:
    """(2, modes) as through_round, of a throat that need not be round.

    shell  : the first cap, alone, its wall at parameters psi (P,), midpoints of a quarter turn.
    modes  : azimuthal orders and radial degrees.
    slope  : (P, P) takes samples at psi to those of the derivative, from the right.
    radius : m, of the exit.
    """
    b = max(float(shell.caps.b[0]), FLAT)
    a_x, b_y, wide, high = float(shell.a[0]), float(shell.b[0]), shell.wide[0], shell.high[0]
    cosine, sine = np.cos(psi), np.sin(psi)
    moves = profile or np.ones_like

    def placed(eta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        away = np.sin(b * eta) / np.sin(b)
        ring_x, ring_y = a_x + (wide - a_x) * eta**4, b_y + (high - b_y) * eta**4
        return away, ring_x, ring_y

    def rates(eta: FloatArray) -> tuple[FloatArray, FloatArray]:
        away, ring_x, ring_y = placed(eta)
        rate, fade_rate = b * np.cos(b * eta) / np.sin(b), 4.0 * eta**3
        return (
            (rate * ring_x + away * (wide - a_x) * fade_rate) * cosine,
            (rate * ring_y + away * (high - b_y) * fade_rate) * sine,
        )

    at_edge = np.hypot(wide * cosine, high * sine)
    end = np.minimum(radius / at_edge, 1.0)
    for _ in range(STEPS):  # Newton's, to where the exit ends on the cap, or to the wall
        (away, ring_x, ring_y), (x_e, y_e) = placed(end), rates(end)
        x, y = away * ring_x * cosine, away * ring_y * sine
        reached = np.hypot(x, y)
        before, end = end, np.clip(end - (reached - radius) * reached / (x * x_e + y * y_e), 0.0, 1.0)
        if np.abs(end - before).max() < CLOSE:
            break
    order, degree = modes
    u, weights = radial_quadrature(
        PROFILE_POINTS if profile else int(degree.max()) + int(order.max()) + 2 * EXTRA_POINTS
    )
    u, weights = u[:, None] * end**2, weights[:, None] * end**2
    eta = np.sqrt(u)
    away, ring_x, ring_y = placed(eta)
    fade, (x_e, y_e) = eta**4, rates(eta)
    x_p = away * ((wide @ slope) * fade * cosine - ring_x * sine)
    y_p = away * ((high @ slope) * fade * sine + ring_y * cosine)
    area = weights / eta * (x_e * y_p - y_e * x_p) / np.cos(b * eta)
    flow = area * moves(away * np.hypot(ring_x * cosine, ring_y * sine) / radius)
    turn = (wide * cosine * ((high @ slope) * sine + high * cosine)) - (
        high * sine * ((wide @ slope) * cosine - wide * sine)
    )
    beside = covered(at_edge, radius, moves) * turn / at_edge**2 / np.cos(b)
    found = np.empty((2, order.size))
    at = u[:, :1] if np.all(end == end[0]) else u  # all round alike where the exit reaches the wall
    for m in np.unique(order):
        mine = order == m
        count = int(degree[mine].max()) + 1
        norm = (np.sqrt(2.0) if m else 1.0) * np.cos(m * psi)
        values = zernike(int(m), count, at.ravel())[0].reshape(*at.shape, count)[..., degree[mine]]
        values = np.broadcast_to(values, (*u.shape, values.shape[-1]))
        at_rim = zernike(int(m), count, np.ones(1))[0][0, degree[mine]]
        found[0, mine] = np.einsum("qp,qpj->j", area * norm, values) / area.sum()
        moved = np.einsum("qp,qpj->j", flow * norm, values) + (beside @ norm) * at_rim
        found[1, mine] = moved / (flow.sum() + beside.sum())
    return found
