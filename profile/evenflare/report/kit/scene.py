"""Surfaces in space as a still picture: turned, lit, sorted from the farthest piece to the nearest; and their frame."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from evenflare.report.kit import style
from evenflare.units import DEGREE, BoolArray, FloatArray, IntArray

TURN, TILT = 35.0 * DEGREE, 22.0 * DEGREE
"""rad: the viewer stands in front of the mouth, so far to its right and so far above."""
_LIGHT = np.array([-0.45, 0.62, 0.64])
"""Toward the lamp, seen from the viewer: from the left, from above, from behind the viewer."""
_DARK = 0.42
"""Of full light: where the lamp only grazes."""


class Pieces(NamedTuple):
    """Quadrilaterals (N) in the order in which they are to be painted.

    outline : (N, 4, 2), right and up as the viewer sees them, in the unit of the points.
    light   : (N,) 0 to 1.
    inside  : (N,) whether the side toward the axis is seen, of a grid whose columns run counter-clockwise about it.
    cell    : (N,) row and column of the grid's cell, row * columns + column.
    """

    outline: FloatArray
    light: FloatArray
    inside: BoolArray
    cell: IntArray


def seen(points: FloatArray) -> FloatArray:
    """Points (..., 3) x, y, z as the viewer sees them: right, up, and toward the viewer."""
    to_viewer = np.array([np.sin(TURN) * np.cos(TILT), np.sin(TILT), np.cos(TURN) * np.cos(TILT)])
    right = np.array([np.cos(TURN), 0.0, -np.sin(TURN)])
    return np.asarray(points @ np.array([right, np.cross(to_viewer, right), to_viewer]).T)


def pieces(points: FloatArray) -> Pieces:
    """The cells of a grid (R, C, 3) that closes on itself over its columns."""
    closed = seen(np.concatenate([points, points[:, :1]], axis=1))
    corners = np.stack([closed[:-1, :-1], closed[:-1, 1:], closed[1:, 1:], closed[1:, :-1]], axis=2)
    corners = corners.reshape(-1, 4, 3)
    normal = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    order = np.argsort(corners[:, :, 2].mean(axis=1), kind="stable")
    facing = np.where(normal[:, 2:] < 0.0, -normal, normal)
    light = _DARK + (1.0 - _DARK) * np.clip(facing @ (_LIGHT / np.linalg.norm(_LIGHT)), 0.0, 1.0)
    return Pieces(corners[order][:, :, :2], light[order], normal[order, 2] < 0.0, order)


def framed(axes: Any) -> None:
    """Around a balloon of radius 1 at the on-axis level: that level as a ring in the mouth's plane, and the axis."""
    around = np.linspace(0.0, 2.0 * np.pi, 181)
    ring = seen(np.column_stack([np.cos(around), np.sin(around), np.zeros_like(around)]))
    axis = seen(np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 1.3]]))
    # What is painted stands before the ring and behind the axis.
    axes.plot(ring[:, 0], ring[:, 1], color=style.QUIET, linestyle=":", linewidth=1.0, zorder=0.5)
    axes.plot(axis[:, 0], axis[:, 1], color=style.INK, linewidth=1.2)
    axes.set_aspect("equal")
    axes.set_xlim(-1.3, 1.3)
    axes.set_ylim(-1.2, 1.25)


def directions(axes: Any) -> None:
    """What points where in the panels beside these axes."""
    framed(axes)
    for end, words in zip(np.eye(3), ("x", "y", "axis"), strict=True):
        reach = 1.3 if words == "axis" else 0.7
        tip, beyond = seen(reach * end)[:2], seen(1.25 * reach * end)[:2]
        arrow = {"arrowstyle": "<-", "color": style.INK, "shrinkA": 0, "shrinkB": 0}
        axes.annotate("", (0.0, 0.0), tuple(tip), arrowprops=arrow)
        axes.text(*beyond, words, ha="center", va="center", fontsize=style.TEXT - 1, color=style.INK)
    axes.text(0.0, -1.1, "ring: on-axis level", ha="center", va="top", fontsize=style.TEXT - 1, color=style.QUIET)
