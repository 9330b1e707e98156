"""Heights of a patch of wall on a raster: its triangles seen along the axis. Compiled."""

from __future__ import annotations

from evenflare.compiled import njit
from evenflare.units import FloatArray

_EDGE = 1e-9
"""Of a triangle's area, by which a place may lie outside: no cell falls between two neighbours."""


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def laid(heights: FloatArray, slopes: FloatArray, step: float, points: FloatArray, normals: FloatArray) -> None:
    """Write the highest wall over each cell into `heights`, and its normal's part along the axis into `slopes`.

    heights, slopes : (X, Y), at step (i, j), m and 1.
    points          : (R, C, 3), m, of a quarter; normals : (R, C), their parts along the axis.
    """
    rows, columns = normals.shape
    for r in range(rows - 1):
        for c in range(columns - 1):
            for half in range(2):
                # The quad's corners: (r, c), (r + 1, c), (r + 1, c + 1), then (r, c), (r + 1, c + 1), (r, c + 1).
                r1, c1 = r + 1, c + half
                r2, c2 = r + 1 - half, c + 1
                xa, ya, za = points[r, c]
                xb, yb, zb = points[r1, c1]
                xc, yc, zc = points[r2, c2]
                area = (xb - xa) * (yc - ya) - (xc - xa) * (yb - ya)
                if abs(area) < 1e-20:
                    continue
                i_low = max(0, int(min(xa, xb, xc) / step))
                i_high = min(heights.shape[0] - 1, int(max(xa, xb, xc) / step) + 1)
                j_low = max(0, int(min(ya, yb, yc) / step))
                j_high = min(heights.shape[1] - 1, int(max(ya, yb, yc) / step) + 1)
                for i in range(i_low, i_high + 1):
                    for j in range(j_low, j_high + 1):
                        x, y = i * step - xa, j * step - ya
                        b = (x * (yc - ya) - (xc - xa) * y) / area
                        g = ((xb - xa) * y - x * (yb - ya)) / area
                        if b < -_EDGE or g < -_EDGE or b + g > 1.0 + _EDGE:
                            continue
                        height = za + b * (zb - za) + g * (zc - za)
                        if height > heights[i, j]:
                            heights[i, j] = height
                            a = 1.0 - b - g
                            slopes[i, j] = a * normals[r, c] + b * normals[r1, c1] + g * normals[r2, c2]
