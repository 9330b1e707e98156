"""The finishing spiral of an oblong surface: rings that run with its sections, each going over into the next."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np

from evenflare.manufacture.wall.grid import SMOOTH, turned
from evenflare.manufacture.wall.oblong_closed import moved_off
from evenflare.manufacture.wall.scallop import centre_step, passes
from evenflare.units import BoolArray, FloatArray, IntArray
from evenflare.waveguide.cloud import Cloud
from evenflare.waveguide.surface import Surface, depth_at

_ROWS, _COLUMNS, _ROLLS = 400, 129, 24
_CHUNK = 20_000
_HALVINGS = 6


class SpiralBand(Protocol):
    """A stretch of a surface that is even about both planes, or the edge where one ends: there the ball rolls round,
    from one normal to the next.
    """

    @property
    def rolls(self) -> bool:
        """Whether it is an edge."""
        ...

    def centres(self, t: FloatArray, psi: FloatArray, radius: float) -> tuple[FloatArray, FloatArray]:
        """(N, P, 3) centres, m, and (N, P) the smallest curvature across, 1/m, at shares t (N,) of the way over it, 0
        to 1, and psi (P,) or (N, P), rad.
        """
        ...


class _WallBand(NamedTuple):
    """Of a wall, from the mouth to the throat."""

    surface: Surface
    stretch: int
    rolls: bool

    def centres(self, t: FloatArray, psi: FloatArray, radius: float) -> tuple[FloatArray, FloatArray]:
        """See SpiralBand."""
        surface, t = self.surface, 1.0 - t
        if not self.rolls:
            patch = surface.patch(depth_at(surface, self.stretch, t), psi, stretch=self.stretch)
            return patch.points + radius * patch.normals, patch.curvatures[..., 0]
        rim = np.full(t.size, surface.cuts[self.stretch + 1])
        first = surface.patch(rim, psi, stretch=self.stretch, bends=False)
        last = surface.patch(rim, psi, stretch=self.stretch + 1, bends=False)
        normals = turned(first.normals, last.normals, t[:, None, None])
        return first.points + radius * normals, np.full(normals.shape[:2], np.inf)


class _Way(NamedTuple):
    """Over all bands, at nodes (K,): which band, which share of it, and how many turns lie before."""

    radius: float
    bands: Sequence[SpiralBand]
    which: IntArray
    shares: FloatArray
    before: FloatArray

    def centres_after(self, turns: FloatArray, psi: FloatArray) -> FloatArray:
        """(N, P, 3), m: centres after so many turns (N,), at psi (P,) or (N, P)."""
        node = np.clip(np.searchsorted(self.before, turns, side="left"), 1, self.before.size - 1)
        # A node that ends one band stands again as the next one's first: a place there belongs to the one that ends.
        node = np.where(self.which[node] == self.which[node - 1], node, node - 1)
        found = np.empty((turns.size, psi.shape[-1], 3))
        for number in np.unique(self.which[node]):
            here, of = self.which[node] == number, self.which == number
            t = np.interp(turns[here], self.before[of], self.shares[of])
            around = psi if psi.ndim == 1 else psi[here]
            found[here] = self.bands[number].centres(t, around, self.radius)[0]
        return found


def oblong_spiral(
    surface: Surface, *, radius: float, ridge: float, chord: float, clear: Cloud | None = None
) -> FloatArray:
    """(N, 3), m from the throat plane: centres of a ball on a spiral down an oblong wall, see spiral_over."""
    return spiral_over(_bands(surface)[::-1], radius=radius, ridge=ridge, chord=chord, clear=clear)


def spiral_over(
    bands: Sequence[SpiralBand], *, radius: float, ridge: float, chord: float, clear: Cloud | None = None
) -> FloatArray:
    """(N, 3), m: centres of a ball on a spiral over bands that follow one another, counter-clockwise, a full ring at
    either end.

    Neighbouring turns come nearest where a surface is broad in one plane only: there ridges are lower than elsewhere.
    ridge, chord : m, heights that neighbouring turns, and straight moves between the points, may leave.
    clear        : of a wall with hollows that the ball does not reach, its cloud: there it keeps off, see moved_off.
    Errors       : NoRoomError as moved_off.
    """
    way = _way(bands, radius, ridge)
    number = round(float(way.before[-1]))
    density = _density(way.centres_after(np.arange(number + 1.0), np.linspace(0.0, 0.5 * np.pi, _COLUMNS)), chord)
    places, azimuths = [], []
    for turn in range(-1, number + 1):
        near = density[max(turn, 0) : min(turn + 1, number) + 1].max(axis=0)
        cells = np.concatenate([near, near[::-1], near, near[::-1]])
        total = np.concatenate([[0.0], np.cumsum(cells + 0.02 * cells.mean())])
        count = int(np.ceil(total[-1]))
        nodes = np.linspace(0.0, 2.0 * np.pi, total.size)
        around = np.interp(total[-1] * np.arange(count) / count, total, nodes)
        azimuths.append(around)
        places.append(np.clip(turn + around / (2.0 * np.pi), 0.0, number))
    turns, psi = np.concatenate([*places, [number]]), np.concatenate([*azimuths, [0.0]])[:, None]
    if clear is None:
        return _along(way, turns, psi)
    psi = np.unwrap(psi, axis=0)  # from turn to turn, so that half-way is half-way
    found, off = _kept_off(way, turns, psi, clear)
    for _ in range(_HALVINGS):
        # Where it begins to keep off the path has a corner, which a straight move would cut.
        corner = np.flatnonzero(off[1:] != off[:-1]) + 1
        between = 0.5 * (turns[corner] + turns[corner - 1]), 0.5 * (psi[corner] + psi[corner - 1])
        new, new_off = _kept_off(way, *between, clear)
        turns, psi = np.insert(turns, corner, between[0]), np.insert(psi, corner, between[1], axis=0)
        found, off = np.insert(found, corner, new, axis=0), np.insert(off, corner, new_off)
    return found


def _kept_off(way: _Way, turns: FloatArray, psi: FloatArray, wall: Cloud) -> tuple[FloatArray, BoolArray]:
    """As _along where the ball has room, see moved_off; and where it had to be moved."""
    return moved_off(_along(way._replace(radius=0.0), turns, psi), _along(way, turns, psi), wall, way.radius)


def _along(way: _Way, turns: FloatArray, psi: FloatArray) -> FloatArray:
    """(N, 3), m: centres after so many turns (N,), at psi (N, 1)."""
    parts = [slice(start, start + _CHUNK) for start in range(0, turns.size, _CHUNK)]
    return np.concatenate([way.centres_after(turns[part], psi[part])[:, 0] for part in parts or [slice(0)]])


def _bands(surface: Surface) -> list[SpiralBand]:
    """From throat to mouth."""
    bands, psi = list[SpiralBand](), np.linspace(0.0, 0.5 * np.pi, 9)
    for stretch in range(len(surface.cuts) - 1):
        bands.append(_WallBand(surface, stretch, rolls=False))
        if stretch + 2 < len(surface.cuts):
            rim = np.array([surface.cuts[stretch + 1]])
            normals = [surface.patch(rim, psi, stretch=k, bends=False).normals for k in (stretch, stretch + 1)]
            if np.abs(normals[0] - normals[1]).max() > SMOOTH:
                bands.append(_WallBand(surface, stretch, rolls=True))
    return bands


def _way(bands: Sequence[SpiralBand], radius: float, ridge: float) -> _Way:
    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    which, shares, lengths, steps = [], [], [], []
    for number, band in enumerate(bands):
        t = np.linspace(0.0, 1.0, (_ROLLS if band.rolls else _ROWS) + 1)
        centres, bend = band.centres(t, psi, radius)
        tangent = np.gradient(0.5 * (centres[1:] + centres[:-1]), axis=1)
        tangent /= np.maximum(np.linalg.norm(tangent, axis=-1, keepdims=True), 1e-15)
        across = np.diff(centres, axis=0)
        across -= np.sum(across * tangent, axis=-1, keepdims=True) * tangent
        allowed = centre_step(ridge, radius=radius, curvature=np.minimum(bend[1:], bend[:-1]))
        apart = np.linalg.norm(across, axis=-1)
        worst = np.argmax(apart / allowed, axis=1)[:, None]
        lengths.append(np.take_along_axis(apart, worst, axis=1)[:, 0])
        steps.append(np.take_along_axis(allowed, worst, axis=1)[:, 0])
        which.append(np.full(t.size, number))
        shares.append(t)
    before = passes(np.concatenate(lengths), np.concatenate(steps))
    ends = np.cumsum([0, *(part.size for part in lengths)])
    turns = [before[low : high + 1] for low, high in itertools.pairwise(ends)]
    return _Way(radius, bands, np.concatenate(which), np.concatenate(shares), np.concatenate(turns))


def _density(rings: FloatArray, chord: float) -> FloatArray:
    """(N, C - 1): moves per cell of rings (N, C, 3) over a quarter, so that their chords depart by at most `chord`."""
    away = rings[:, 2:] - rings[:, :-2]
    bend = rings[:, 1:-1] - 0.5 * (rings[:, 2:] + rings[:, :-2])
    sagitta = np.linalg.norm(np.cross(bend, away), axis=-1) / np.maximum(np.linalg.norm(away, axis=-1), 1e-15)
    nodes = np.pad(np.sqrt(sagitta / (4.0 * chord)), ((0, 0), (1, 1)), mode="edge")
    wider = np.pad(nodes, ((0, 0), (1, 1)), mode="edge")
    near = np.maximum(wider[:, :-2], np.maximum(wider[:, 1:-1], wider[:, 2:]))
    return np.asarray(np.maximum(near[:, 1:], near[:, :-1]))
