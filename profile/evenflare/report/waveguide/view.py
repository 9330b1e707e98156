"""The view in space of a page: what its script draws, as numbers, and the script itself."""

from __future__ import annotations

import base64
import hashlib
import json
from importlib.resources import files
from typing import Any

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.report.kit import style, wall
from evenflare.report.waveguide import balloon as balloons
from evenflare.studies.directions import drawable
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.words import hertz

MOST_FREQUENCIES = 31
"""Of a balloon that can be chosen, evenly from those solved; the octaves always among them."""
_TENTHS = 10.0


def data(waveguide: Waveguide, all_round: Directivity | None) -> dict[str, Any]:
    """What the view shows, in plain values.

    wall    : rows and columns of its grid, and the points' x, y, z one after the other, tenths of a mm.
    balloon : None where `all_round` is not drawable; else names and rows of its frequencies, the first to show, angles
              and azimuths in radians, and levels in tenths of a dB re on-axis, frequency by frequency, ring by ring.
    colours : of levels from `low` to `high` dB, evenly apart, red, green, blue from 0 to 255; and of the wall's sides.
    """
    points = wall.grid(waveguide)
    return {
        "wall": {
            "rows": points.shape[0],
            "columns": points.shape[1],
            "points": _whole(points / MILLIMETRE * _TENTHS),
        },
        "balloon": None if all_round is None or not drawable(all_round) else _balloon(all_round),
        "colours": [_rgb(colour) for colour in style.LEVELS],
        "low": balloons.FLOOR,
        "high": style.HIGHEST,
        "inside": _rgb(style.INSIDE),
        "outside": _rgb(style.OUTSIDE),
        "ink": _rgb(style.INK),
    }


def _balloon(directivity: Directivity) -> dict[str, Any]:
    found = balloons.balloon(directivity)
    octaves = balloons.octaves(found.frequency)
    count = min(found.frequency.size, MOST_FREQUENCIES - octaves.size)
    evenly = np.round(np.linspace(0, found.frequency.size - 1, count)).astype(int)
    rows = np.unique(np.concatenate([octaves, evenly]))
    names = [hertz(found.frequency[row]) + ("" if found.valid[row] else " (not valid)") for row in rows]
    return {
        "frequencies": names,
        "first": int(np.flatnonzero(rows == octaves[octaves.size // 2])[0]),
        "off_axis": [round(angle, 4) for angle in found.off_axis.tolist()],
        "azimuth": [round(angle, 4) for angle in found.azimuth.tolist()],
        "levels": _whole(found.level[rows] * _TENTHS),
    }


def _whole(values: Any) -> list[int]:
    return [int(value) for value in np.round(values).ravel()]


def _rgb(colour: str) -> list[int]:
    return [int(colour[i : i + 2], 16) for i in (1, 3, 5)]


def data_text(found: dict[str, Any]) -> str:
    """The data as JSON that may stand inside a page: no sign in it can end the element that holds it."""
    return json.dumps(found, separators=(",", ":"), ensure_ascii=True).replace("<", "\\u003c")


def script() -> str:
    """The script that draws the view; it asks for nothing from outside the page."""
    return (files("evenflare.report") / "view.js").read_text(encoding="utf-8").strip()


def script_hash(text: str) -> str:
    """By which a page's security policy lets this one script run (W3C Content Security Policy, hash sources)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
