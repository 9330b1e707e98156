"""What each kind of error of a wall costs, and how much of it a limit of what may be heard lets through."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.radiation.tilted import tilted
from evenflare.studies.pieces import rows_of_pieces
from evenflare.studies.sensitivity import FRONT, HEARD, Sensitivity, WallBench
from evenflare.units import DEGREE, MILLIMETRE, FloatArray

NAMES = {
    "waviness": "waviness",
    "offset": "an offset of the whole wall",
    "bow": "a bow",
    "scale": "scale, counted at the mouth's rim",
    "throat_step": "a step at the throat",
    "ovality": "ovality",
    "tilt": "tilt of the driver, counted at the mouth's rim",
}
TRADES = {
    "Machinist": ("waviness", "offset", "throat_step", "scale"),
    "Foundry": ("scale", "bow", "ovality", "offset", "tilt"),
}
"""Which kinds a trade can do something about."""
LITTLE = 1.0 * MILLIMETRE
"""Of a kind that hardly matters: so much of it keeps what may be heard."""


@dataclass(frozen=True)
class Cost:
    """What a kind of error does.

    kind      : its name.
    index     : (C,) dB/m, how much the index changes.
    wave      : of waviness, which wave that is, in words; else empty.
    """

    kind: str
    index: FloatArray
    wave: str = ""

    @property
    def most(self) -> float:
        """dB/m, at the worst frequency."""
        return float(np.abs(self.index).max())

    def allowed(self, within: float) -> float:
        """m of it that keep the index within so many dB, by the slope; inf where it does nothing."""
        return within / self.most if self.most > 0.0 else float("inf")


def costs(found: Sensitivity, length: float, *, around: bool = True) -> list[Cost]:
    """Of every kind that is known, the dearest first. length : m, of the pieces that waviness is made of."""
    known = [Cost(kind, slopes.index) for kind, slopes in found.kinds.items()]
    known.append(_waviness(found, length, around))
    return sorted(known, key=lambda each: -each.most)


@dataclass(frozen=True)
class TiltOffAxis:
    """What a driver that sits askew does beside the axis: a tilt changes nothing on it, to first order.

    level : (C,) dB for each rad, the greatest change of a level re on axis, whichever way the driver leans, at angles
            that PlaceSlopes' polar levels are looked at.
    rim   : m, by which the mouth's rim lies out of square for each rad where the level changes so, at each frequency,
            (C,).
    """

    level: FloatArray
    rim: FloatArray

    @property
    def per_degree(self) -> FloatArray:
        """(C,) dB for each degree."""
        return self.level * DEGREE

    @property
    def per_rise(self) -> FloatArray:
        """(C,) dB for each m by which the rim lies out of square, a radius from the axis."""
        return self.level / self.rim


def of_tilt(bench: WallBench) -> tuple[Cost, TiltOffAxis]:
    """Of a driver that sits askew, for each m by which the mouth's rim lies out of square: to first order the index
    does not know of it, so what LITTLE of it does, over that; and what it does off axis. Of an oblong waveguide the
    worse of leaning in either plane. ValueError where that is not known.
    """
    seen = bench.observation
    ways = (0.0,) if bench.waveguide.is_round else (0.0, 0.5 * np.pi)
    costs, levels, rims = [], [], []
    for toward in ways:
        here = seen if bench.waveguide.is_round else replace(seen, plane=np.union1d(seen.plane, [toward]))
        found = tilted(bench.waveguide, here, bench.air, toward=toward)
        sound, axis = np.abs(found.pressure[bench.rows]), int(np.abs(here.off_axis).argmin())
        heard = sound > 10.0 ** (HEARD / 20.0) * sound[:, :, axis, None]
        heard &= np.abs(here.off_axis) <= FRONT + 1e-9
        costs.append(found.bend[bench.rows] * LITTLE / found.rim**2)
        levels.append(np.where(heard, np.abs(found.level[bench.rows]), 0.0).max(axis=(1, 2)))
        rims.append(np.full(bench.rows.size, found.rim))
    dearest = max(costs, key=lambda each: float(np.abs(each).max()))
    worst, c = np.argmax(np.array(levels), axis=0), np.arange(bench.rows.size)
    return Cost("tilt", dearest), TiltOffAxis(np.array(levels)[worst, c], np.array(rims)[worst, c])


def _waviness(found: Sensitivity, length: float, around: bool) -> Cost:
    """One bump as long as a piece, or all pieces, each the other way than the one before: whichever does more."""
    slope = found.index if around else found.index.sum(axis=1, keepdims=True)
    best = Cost("waviness", np.zeros(found.frequency.size))
    for row in rows_of_pieces(found.share.size, found.spacing, length):
        parts = row.parts(slope)
        turns = (-1.0) ** np.arange(parts.shape[1])
        turned = (-1.0) ** np.arange(parts.shape[2])
        alternating = np.einsum("ckm,k,m->c", parts, turns, turned)
        k, m = np.unravel_index(np.abs(parts).max(axis=0).argmax(), parts.shape[1:])
        for index, wave in (
            (parts[:, k, m], f"one bump of {length / MILLIMETRE:.3g} mm"),
            (alternating, f"waves that turn every {length / MILLIMETRE:.3g} mm"),
        ):
            if np.abs(index).max() > best.most:
                best = Cost("waviness", np.asarray(index), wave)
    return best


def trade_sentence(trade: str, known: list[Cost], within: float) -> str:
    """Which of a trade's errors matter and which do not, in a sentence without its full stop."""
    mine = [each for each in known if each.kind in TRADES[trade]]
    matter = [each for each in mine if each.allowed(within) < LITTLE]
    rest = [each for each in mine if each not in matter]
    parts = []
    if matter:
        first, *others = matter
        words = f"{NAMES[first.kind]} matters most: {_length(first.allowed(within))} of it cost {within:g} dB"
        if others:
            words += "; then " + ", ".join(f"{NAMES[each.kind]} ({_length(each.allowed(within))})" for each in others)
        parts.append(words)
    if rest:
        *before, last = (NAMES[each.kind] for each in rest)
        names = f"{'; '.join(before)}; and {last}" if len(before) > 1 else " and ".join([*before, last])
        parts.append(
            f"{names} hardly matter{'s' if len(rest) == 1 else ''}: a millimetre costs less than {within:g} dB"
        )
    return f"{trade}: {'; '.join(parts)}"


def _length(length: float) -> str:
    return f"{float(f'{length / MILLIMETRE:.2g}'):g} mm"
