"""The wall of a part as it was built: its kinds of error and its likeliest waves, to be solved as the drawn one is."""

from __future__ import annotations

import numpy as np

from evenflare.inspection.cells import KINDS
from evenflare.inspection.feet import DrawnFeet
from evenflare.inspection.kinds import KindsTold
from evenflare.units import MILLIMETRE
from evenflare.waveguide.deviated import WallDeviation

_KNOTS = 48
_AROUND = 24


def as_built(told: KindsTold, drawn: DrawnFeet, grown: float) -> WallDeviation:
    """The kinds as they were told, of a part that has grown by a share, and the waves at knots half a correlation
    length apart; round walls by the mean all round.
    """
    values = told.values
    step = max(0.5 * told.waves.length, drawn.length / _KNOTS, 0.5 * MILLIMETRE)
    share = np.linspace(0.0, 1.0, max(3, int(np.ceil(drawn.length / step)) + 1))
    if drawn.is_round:
        azimuths = np.arange(_AROUND) * 2.0 * np.pi / _AROUND
    else:
        around = 0.5 * np.pi * float(np.hypot(*drawn.wall_at(np.ones(1), np.zeros(1))[0][0, :2]))
        azimuths = np.linspace(0.0, 0.5 * np.pi, int(np.clip(np.ceil(around / step), 4, 12)) + 1)
    turned = azimuths if drawn.is_round else np.concatenate([azimuths, np.pi - azimuths, np.pi + azimuths, -azimuths])
    places = drawn.wall_at(*np.broadcast_arrays(share[:, None], turned[None, :]))[0]
    waves = told.likeliest.waves_at(share, places)
    # A wall that is alike in its quarters is what can be solved: the mean of the four.
    waves = waves.mean(axis=1, keepdims=True) if drawn.is_round else waves.reshape(len(share), 4, -1).mean(axis=1)
    kinds = {name: float(values[KINDS.index(name)]) for name in ("offset", "bow")}
    return WallDeviation(
        **kinds,
        scale=grown,
        ovality=0.0 if drawn.is_round else float(values[KINDS.index("oval")]),
        throat_step=float(values[KINDS.index("step")]),
        shares=tuple(share.tolist()),
        azimuths=(0.0,) if drawn.is_round else tuple(azimuths.tolist()),
        waves=tuple(tuple(row) for row in waves.tolist()),
    )
