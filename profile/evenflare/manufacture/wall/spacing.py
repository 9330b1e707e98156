"""Where along a wall the rows of a point list stand, and how a sharp corner is rolled round."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.files import InputError
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Frame, Meridian, joined
from evenflare.waveguide.meridian import Piece

CHORD_ERROR_RANGE = (0.001 * MILLIMETRE, 5 * MILLIMETRE)
"""m; below it points would lie closer than a mesh in single precision can tell apart."""

LARGEST_STEP = 2 * MILLIMETRE
"""Between rows, on straight walls too, so that a spline through the rows is the same wall again."""
LARGEST_TURN = 1.9 * DEGREE
"""Of the wall from row to row: a curve through the rows is then the same wall again."""
SMALLEST_STEP = 0.02 * MILLIMETRE
"""A finer step is taken only where the chord error asks for it."""
GROWTH = 0.3
"""Change of the step per length of wall: neighbouring steps differ by about a third at most."""

SMOOTH = 1e-6
"""rad; a turn between two pieces below it is no corner."""

_FINE = 2000


def checked_chord_error(chord_error: float) -> float:
    """`chord_error` in m if it is allowed. Errors: InputError outside CHORD_ERROR_RANGE."""
    low, high = CHORD_ERROR_RANGE
    if not low <= chord_error <= high:
        raise InputError(
            f"--chord-error-mm = {chord_error / MILLIMETRE:g}: must be {low / MILLIMETRE:g} to {high / MILLIMETRE:g}."
            " 0.05 is a usual value"
        )
    return chord_error


def spaced(meridian: Meridian, *, chord_error: float, offset: float = 0.0) -> list[Frame]:
    """Rows along every piece, ends included: one Frame per piece.

    Between two rows neither the wall nor its parallel at `offset` (m, >= 0, into the air) departs from its chord
    by more than `chord_error` (m). On a wall that bulges into the air the parallel asks for more rows: its
    radius is the wall's plus the offset. Steps obey LARGEST_STEP, LARGEST_TURN and GROWTH besides.
    """
    middle = (np.arange(_FINE) + 0.5) / _FINE
    fine = joined([piece.frame_at(middle) for piece in meridian.pieces])
    length = fine.speed / _FINE
    along = np.cumsum(length) - 0.5 * length
    bend = np.maximum(np.abs(fine.curvature), 1e-12)
    sharpest = bend * (1.0 + offset * np.maximum(fine.curvature, 0.0))  # sagitta = sharpest step^2 / 8
    step = np.minimum(LARGEST_STEP, np.minimum(LARGEST_TURN / bend, np.sqrt(8.0 * chord_error / sharpest)))
    step = np.maximum(step, SMALLEST_STEP)
    step = GROWTH * along + np.minimum.accumulate(step - GROWTH * along)
    step = np.minimum.accumulate((step + GROWTH * along)[::-1])[::-1] - GROWTH * along
    share = np.split(length / step, len(meridian.pieces))
    return [
        piece.frame_at(_parameters(piece, count, chord_error, offset))
        for piece, count in zip(meridian.pieces, share, strict=True)
    ]


def _parameters(piece: Piece, share: FloatArray, chord_error: float, offset: float) -> FloatArray:
    along = np.concatenate([[0.0], np.cumsum(share)])
    edges = np.linspace(0.0, 1.0, _FINE + 1)
    count = max(1, int(np.ceil(along[-1] - 1e-9)))
    while True:
        t = np.interp(np.linspace(0.0, along[-1], count + 1), along, edges)
        inner = piece.frame_at(t[:-1, None] + np.diff(t)[:, None] * np.linspace(0.1, 0.9, 9))
        ends = piece.frame_at(t)
        if max(_departure(ends, inner, 0.0), _departure(ends, inner, offset)) <= chord_error:
            return t
        count += 1 + count // 16


def _departure(ends: Frame, inner: Frame, offset: float) -> float:
    """m, the largest distance of a wall's parallel from its chords, probed at the inner places."""
    z, r = parallel(ends, offset)
    z_inner, r_inner = parallel(inner, offset)
    dz, dr = np.diff(z)[:, None], np.diff(r)[:, None]
    across = (z_inner - z[:-1, None]) * dr - (r_inner - r[:-1, None]) * dz
    return float(np.max(np.abs(across) / np.maximum(np.hypot(dz, dr), 1e-15)))


def parallel(wall: Frame, offset: float) -> tuple[FloatArray, FloatArray]:
    """(z, r) at `offset` (m) from the wall along its normal (sin a, -cos a), which points into the air."""
    return wall.z + offset * np.sin(wall.angle), wall.r - offset * np.cos(wall.angle)


def corner_turns(frames: Sequence[Frame]) -> FloatArray:
    """rad, (pieces - 1,): how far the wall turns from piece to piece; negative toward the axis, a concave corner."""
    before = np.array([frame.angle[-1] for frame in frames[:-1]])
    after = np.array([frame.angle[0] for frame in frames[1:]])
    return np.asarray((after - before + np.pi) % (2 * np.pi) - np.pi)


def rolled(frames: Sequence[Frame], *, step: float) -> Frame:
    """The pieces as one wall, whose angle turns at each corner in steps of at most `step` (rad) on the spot.

    A vertex between smooth pieces appears once; a corner repeats its z and r, from one piece's angle to the next's.
    """
    parts = [frames[0]]
    for frame, turn in zip(frames[1:], corner_turns(frames), strict=True):
        if abs(turn) <= SMOOTH:
            parts.append(Frame(*(column[1:] for column in frame)))
            continue
        inner = frame.angle[0] + turn * (np.linspace(0.0, 1.0, 1 + int(np.ceil(abs(turn) / step)))[1:-1] - 1.0)
        still = np.zeros_like(inner)
        parts += [Frame(frame.z[0] + still, frame.r[0] + still, inner, still, still), frame]
    return joined(parts)
