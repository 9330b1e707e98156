"""The wall in space, coloured by how far the part lies off it: for the view of a page, and its still picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup
from scipy.spatial import cKDTree

from evenflare.inspection.found import Inspection
from evenflare.report.kit import sheet, style, wall
from evenflare.report.waveguide import figures, view
from evenflare.units import MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide import Waveguide

SHADES = 41
"""Of the palette; one more, the last, is for places without points."""
NEIGHBOURS = 6
"""Points that a cell's colour is the median of."""
REACH, LEAST_REACH = 0.75, 3e-3
"""Of a cell's diagonal, and m: a point further from a cell's middle does not tell its colour."""
MOST_POINTS = 60_000
BARE = (0.82, 0.84, 0.86)
"""Red, green, blue of places without points."""


def palette() -> FloatArray:
    """(SHADES + 1, 3) red, green, blue, 0 to 1."""
    ends = np.array([[int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)] for colour in style.DEVIATIONS])
    share = np.linspace(0.0, len(ends) - 1.0, SHADES)
    shades = np.stack([np.interp(share, np.arange(len(ends)), ends[:, k]) for k in range(3)], axis=1)
    return np.concatenate([shades, [BARE]])


def shades_of(inspection: Inspection, waveguide: Waveguide, *, limit: float) -> IntArray:
    """(R - 1) * C indices into the palette, of the cells of the wall's grid. limit : m, where the colours end."""
    points = wall.grid(waveguide)
    closed = np.concatenate([points, points[:, :1]], axis=1)
    corners = np.stack([closed[:-1, :-1], closed[:-1, 1:], closed[1:, 1:], closed[1:, :-1]])
    middle = corners.mean(axis=0).reshape(-1, 3)
    across = np.linalg.norm(corners[2] - corners[0], axis=-1).ravel()
    used = np.flatnonzero(inspection.used)
    used = used[:: max(1, -(-used.size // MOST_POINTS))]
    count = min(NEIGHBOURS, used.size)
    far, near = cKDTree(inspection.points[used]).query(middle, k=count)
    far, near = far.reshape(-1, count), near.reshape(-1, count)
    close = far <= np.maximum(REACH * across, LEAST_REACH)[:, None]
    off = np.where(close, inspection.off[used][near], np.nan)
    shade = np.full(middle.shape[0], SHADES)
    known = close.any(axis=1)
    share = 0.5 + 0.5 * np.clip(np.nanmedian(off[known], axis=1) / limit, -1.0, 1.0)
    shade[known] = np.round(share * (SHADES - 1)).astype(int)
    return shade


def space(inspection: Inspection, waveguide: Waveguide, *, limit: float) -> dict[str, Any]:
    """The view of a page, as its template asks for it."""
    colours, shades, script = palette(), shades_of(inspection, waveguide, limit=limit), view.script()
    found = view.data(waveguide, None)
    found["wall"]["cells"] = shades.tolist()
    found["palette"] = np.round(255 * colours).astype(int).tolist()
    ends = limit / MILLIMETRE
    marks = [(-1.0, 0.0), (-0.5, 25.0), (0.0, 50.0), (0.5, 75.0), (1.0, 97.0)]
    return {
        "picture": sheet.picture(
            figures.shape(waveguide, colours[shades]), alt="The wall in space, coloured by deviation.", caption=""
        ),
        "data": Markup(view.data_text(found)),
        "script": Markup(script),
        "script_hash": view.script_hash(script),
        "colours": ", ".join(style.DEVIATIONS),
        "levels": [
            (
                f"{share * ends:+.2g}".replace("-", "−").replace("+0", "0", 1)
                if share == 0.0
                else f"{share * ends:+.2g}".replace("-", "−"),
                place,
            )
            for share, place in marks
        ],
        "legend": "Colour is how far the part lies off the drawn wall, mm along its normal: blue nearer to the axis,"
        " orange further from it; grey: no points there.",
    }
