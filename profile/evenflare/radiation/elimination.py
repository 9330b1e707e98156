"""The march itself: element after element eliminated from the first cap to the last, in real arithmetic.

With fluxes f into the first cap and rigid walls, K - k^2 M of what lies behind a cap is real. Eliminating everything
behind it leaves a symmetric matrix Y and flux vectors f on it, such that Y p = f - (flux out of it); the next element
is D = [[D11, D12], [D21, D22]] once its inner nodes are condensed, and

    Y <- D22 - D21 (D11 + Y)^-1 D12,    f <- -D21 (D11 + Y)^-1 f,    z <- z + f^T (D11 + Y)^-1 f.

Only at the last cap does radiation enter: (Y + Y_out) p = f, the one complex solve per frequency. The pressure that
one flux causes at the first cap, weighted like another, is z + f^T p. No large matrix is formed and nothing is carried
back.
Where a cavity behind a cap resonates D11 + Y is near singular; pivoting within it and the next element's stiffness
keep the loss to the nearness of the resonance, and energy balance (a test) shows it.
"""

from __future__ import annotations

import numpy as np

from evenflare.compiled import njit
from evenflare.radiation.elements import NODES, Elements
from evenflare.radiation.lapack import dgemm, dgesv, dpotrf, dsyrk, dtrsm
from evenflare.units import FloatArray


def eliminated(
    elements: Elements, wavenumber: FloatArray, sources: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Y (F, n, n), f (F, S, n) on the last cap and z (F, S, S) for fluxes `sources` (S, m) into the first cap, in its
    modes.

    wavenumber : (F,) rad/m. Errors: ArithmeticError if an element is longer than half a wavelength.
    """
    stiffness, flux, met, broken = _eliminated(
        elements.stiffness, elements.mass, elements.modes, elements.start, wavenumber, sources
    )
    if broken >= 0:
        raise ArithmeticError(f"element {broken} is longer than half a wavelength")
    return stiffness, flux, met


@njit(cache=True, nogil=True)
def _eliminated(stiffness, mass, modes, start, wavenumber, sources):  # type: ignore[no-untyped-def]
    """As `eliminated`, and the first element that is longer than half a wavelength, or -1.

    stiffness, mass, modes, start : of Elements. Nodes of an element: its inner ones, then its near cap, then its far.

    An element's matrix K - k^2 M is, by Cholesky factors of its inner block, D_ii = L L^T, condensed onto its two caps:
    D - D_bi D_ii^-1 D_ib. Then D11 + Y is solved with the columns D12 and the fluxes at once. What another mode count
    on the far cap leaves out is dropped there: its motion is 0.
    """
    frequencies, elements, driven = wavenumber.size, modes.size, len(sources)
    most = modes.max()
    y = np.zeros((frequencies, most, most))
    flux = np.zeros((frequencies, driven, most))
    # One by one: whole arrays would have numba compile the wording of a message where their shapes do not match.
    for f in range(frequencies):
        for s in range(driven):
            for i in range(sources.shape[1]):
                flux[f, s, i] = sources[s, i]
    met = np.zeros((frequencies, driven, driven))
    d = np.empty((NODES * most) ** 2)
    behind, across = np.empty(most * most), np.empty((most + driven) * most)
    kept, product = np.empty(most * most), np.empty(most * most)
    sizes = np.empty(7, dtype=np.int32)
    pivots = np.empty(most, dtype=np.int32)
    unit, zero = np.array([1.0, -1.0]), np.zeros(1)
    flag = np.array([ord("L"), ord("N"), ord("T"), ord("R")], dtype=np.uint8)
    lower, plain, transposed, right = flag[0:], flag[1:], flag[2:], flag[3:]
    near = modes[0]
    for e in range(elements):
        n = modes[e]
        size, inner = NODES * n, (NODES - 2) * n
        far = n if e == elements - 1 else min(n, modes[e + 1])
        k_e = stiffness[start[e] : start[e + 1]].reshape(size, size)
        m_e = mass[start[e] // NODES : start[e + 1] // NODES].reshape(NODES, n, n)
        d_e = d[: size * size].reshape(size, size)
        near_near = behind[: near * near].reshape(near, near)
        far_near = across[: (far + driven) * near].reshape(far + driven, near)
        before = kept[: far * near].reshape(far, near)
        through = product[: far * far].reshape(far, far)
        for f in range(frequencies):
            k2 = wavenumber[f] ** 2
            for i in range(size):
                for j in range(i, size):
                    d_e[i, j] = k_e[i, j]
                node, row = i // n, i % n
                for j in range(row, n):
                    d_e[i, node * n + j] -= k2 * m_e[node, row, j]
            sizes[0], sizes[1], sizes[2] = size, inner, size - inner
            # D_ii = L L^T: positive definite as long as no inner wave fits in with its ends at rest.
            dpotrf(lower.ctypes, sizes[1:].ctypes, d_e.ctypes, sizes.ctypes, sizes[3:].ctypes)
            if sizes[3] != 0:
                return y, flux, met, e
            rest = d_e[0, inner:]
            # L^-1 D_ib, and then D_bb - (L^-1 D_ib)^T (L^-1 D_ib) with both caps in b.
            dtrsm(
                right.ctypes,
                lower.ctypes,
                transposed.ctypes,
                plain.ctypes,
                sizes[2:].ctypes,
                sizes[1:].ctypes,
                unit.ctypes,
                d_e.ctypes,
                sizes.ctypes,
                rest.ctypes,
                sizes.ctypes,
            )
            dsyrk(
                lower.ctypes,
                plain.ctypes,
                sizes[2:].ctypes,
                sizes[1:].ctypes,
                unit[1:].ctypes,
                rest.ctypes,
                sizes.ctypes,
                unit.ctypes,
                d_e[inner, inner:].ctypes,
                sizes.ctypes,
            )
            for i in range(near):
                for j in range(i, near):
                    near_near[i, j] = d_e[inner + i, inner + j] + y[f, i, j]
                    near_near[j, i] = near_near[i, j]
                for j in range(far):
                    far_near[j, i] = d_e[inner + i, inner + n + j]
                    before[j, i] = far_near[j, i]
                for s in range(driven):
                    far_near[far + s, i] = flux[f, s, i]
            sizes[4], sizes[5], sizes[6] = near, far + driven, far
            # (D11 + Y)^-1 of D12 and of the fluxes, in place; then D21 times the former, which Y loses.
            dgesv(
                sizes[4:].ctypes,
                sizes[5:].ctypes,
                near_near.ctypes,
                sizes[4:].ctypes,
                pivots.ctypes,
                far_near.ctypes,
                sizes[4:].ctypes,
                sizes[3:].ctypes,
            )
            dgemm(
                transposed.ctypes,
                plain.ctypes,
                sizes[6:].ctypes,
                sizes[6:].ctypes,
                sizes[4:].ctypes,
                unit.ctypes,
                before.ctypes,
                sizes[4:].ctypes,
                far_near.ctypes,
                sizes[4:].ctypes,
                zero.ctypes,
                through.ctypes,
                sizes[6:].ctypes,
            )
            for i in range(far):
                for j in range(i, far):
                    y[f, i, j] = d_e[inner + n + i, inner + n + j] - 0.5 * (through[i, j] + through[j, i])
                    y[f, j, i] = y[f, i, j]
            for s in range(driven):
                for other in range(driven):
                    for i in range(near):
                        met[f, s, other] += flux[f, s, i] * far_near[far + other, i]
            for s in range(driven):
                for j in range(far):
                    moved = 0.0
                    for i in range(near):
                        moved -= before[j, i] * far_near[far + s, i]
                    flux[f, s, j] = moved
        near = far
    return y[:, :near, :near], flux[:, :, :near], met, -1
