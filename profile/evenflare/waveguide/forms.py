"""Normals and principal curvatures of a wall in space, from its meridians and the section between them."""

from __future__ import annotations

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.meridian import Frame
from evenflare.waveguide.sections import UnitCurve

LEVEL = 1e-12
"""Cosine of a wall's angle that counts as 90 degrees."""
SHARPEST = 1e12
"""1/m, stands for the curvature of a meridian at a cusp."""


def normals_and_curvatures(a: Frame, b: Frame, curve: UnitCurve) -> tuple[FloatArray, FloatArray]:
    """Unit normals into the air (..., 3), and principal curvatures (..., 2), 1/m, smaller first, concave negative.

    a, b  : the horizontal and the vertical meridian at some depths, arrays that broadcast against the curve's.
    curve : the section over its semi-axes there. Without its second derivatives there are no curvatures, (..., 0).

    The wall is X = (a x, b y, z) with (x, y) the unit curve. Its tangent along the depth is scaled by the cosine of
    the steeper meridian's angle, which leaves normal and curvatures as they are and every term finite at 90 degrees.
    Source: first and second fundamental form and their eigenvalues, do Carmo (1976), Differential geometry of curves
    and surfaces, sections 2-5 and 3-3 (from memory).
    """
    cosines = np.maximum(np.cos(a.angle), LEVEL), np.maximum(np.cos(b.angle), LEVEL)
    scale = np.minimum(*cosines)
    # First derivatives of the semi-axes by depth, scaled by it; below, by its cube, the second ones.
    a_z, b_z = (np.sin(m.angle) * (scale / cosine) for m, cosine in zip((a, b), cosines, strict=True))
    across_x, across_y = b.r * curve.y_t, -a.r * curve.x_t
    along_x, along_y = a_z * curve.x + scale * a.r * curve.x_z, b_z * curve.y + scale * b.r * curve.y_z
    around_x, around_y = a.r * curve.x_t, b.r * curve.y_t

    rise = across_x * along_x + across_y * along_y
    width2 = across_x**2 + across_y**2
    size = np.sqrt(scale**2 * width2 + rise**2)
    normals = np.stack([-scale * across_x / size, -scale * across_y / size, rise / size], axis=-1)
    if curve.x_tt.size == 0:
        return normals, np.empty((*rise.shape, 0))

    a_zz, b_zz = (
        np.minimum(m.curvature, SHARPEST) * (scale / cosine) ** 3 for m, cosine in zip((a, b), cosines, strict=True)
    )
    # The second form over -1, so that concave is negative.
    along = across_x * (a_zz * curve.x + scale**2 * (2.0 * a_z * curve.x_z + scale * a.r * curve.x_zz)) + across_y * (
        b_zz * curve.y + scale**2 * (2.0 * b_z * curve.y_z + scale * b.r * curve.y_zz)
    )
    mixed = scale * (
        across_x * (a_z * curve.x_t + scale * a.r * curve.x_tz)
        + across_y * (b_z * curve.y_t + scale * b.r * curve.y_tz)
    )
    around = scale * (across_x * a.r * curve.x_tt + across_y * b.r * curve.y_tt)
    # In a frame of two unit vectors at right angles, the second along the section.
    skew = (along_x * around_x + along_y * around_y) / width2
    first = (along - 2.0 * skew * mixed + skew**2 * around) * width2 / size**3
    both = (mixed - skew * around) / size**2
    second = around / (width2 * size)
    mean, spread = 0.5 * (first + second), np.hypot(0.5 * (first - second), both)
    return normals, np.stack([mean - spread, mean + spread], axis=-1)
