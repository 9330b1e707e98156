"""The uncertainty budgets of a measured directivity: of its index, and of its level on axis.

A sensitivity is taken by moving what is uncertain by its standard uncertainty, up and down, and reading the result
again; the root mean square of both changes holds what curves, too (JCGM 100:2008, 5.1.3 and 5.1.4 note 2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare.coarseness import coarseness
from evenflare.directivity.types import Directivity
from evenflare.measurement.between_planes import Mouth, planes_uncertainty
from evenflare.measurement.budget import Budget, Contribution, evened
from evenflare.measurement.heard import Heard
from evenflare.measurement.readings import Doubts
from evenflare.measurement.uncertainty import DECIBEL, noise_floor, pooled_spread
from evenflare.metrics import sphere_weights
from evenflare.units import ComplexArray, FloatArray, amplitude_db, power_db

GATE_PART = 0.5
"""Of what a shorter gate changes: what the whole one still cuts off. Judgement: tails fade, and the shorter gate loses
what both do."""


@dataclass(frozen=True)
class Told:
    """What the session said of its own uncertainty beside the pressures.

    shorter     : (F, P, A) the same pressure through a shorter gate, or None where nothing was gated here.
    angle_error : rad, standard error of a turntable's zero that was corrected, or 0.
    drift       : (dB, degrees of freedom): what the trend of levels over the session leaves, or None if unknown.
    model       : (F,) dB, what the planes leave open of a model's index, or None.
    """

    shorter: ComplexArray | None = None
    angle_error: float = 0.0
    drift: tuple[float, float] | None = None
    model: FloatArray | None = None
    mouth: Mouth = "unknown"


def index_budget(directivity: Directivity, heard: Heard, doubts: Doubts, told: Told) -> Budget | None:
    """Of the directivity index, dB. None where the angles do not cover the sphere."""
    try:
        weights = sphere_weights(directivity.observation, half_space=directivity.half_space)
    except ValueError:
        return None
    read = _Read(directivity, weights)
    seen = directivity.observation
    nothing = np.zeros(seen.frequency.size)
    planes = planes_uncertainty(directivity, told.mouth) if told.model is None else told.model
    how = {"round": "a round design", "oblong": "an oblong design", "unknown": "how the planes differ"}[told.mouth]
    noise, repeats, freedom = _scatter(read, heard)
    alone = doubts.drift if told.drift is None else told.drift[0]
    parts = [
        Contribution("planes", planes, told_by="a model" if told.model is not None else how),
        Contribution(
            "steps", evened(seen.frequency, coarseness(directivity).index), told_by="a smooth curve over the angles"
        ),
        Contribution(
            "gate", _gate(read, told.shorter), told_by="a shorter gate" if told.shorter is not None else "not known"
        ),
        Contribution("angle", read.turned(doubts.angle, told.angle_error), told_by="stated, or the turntable's fit"),
        Contribution("position", read.displaced(doubts.position), told_by="stated"),
        Contribution("distance", nothing, told_by="alike in all directions: cancels"),
        Contribution("microphone", nothing, told_by="alike in all directions: cancels"),
        Contribution(
            "drift",
            alone * read.independent(),
            freedom=np.inf if told.drift is None else told.drift[1],
            kind="B" if told.drift is None else "A",
            told_by="stated" if told.drift is None else "the trend of the readings",
        ),
        Contribution("noise", noise, kind="A", told_by="the record without sound"),
        Contribution("repeats", repeats, freedom=freedom, kind="A", told_by="the spread of repeats"),
    ]
    return Budget(tuple(parts))


def level_budget(directivity: Directivity, heard: Heard, doubts: Doubts, told: Told) -> Budget:
    """Of the level on axis, dB."""
    nothing = np.zeros(directivity.observation.frequency.size)
    distance = directivity.observation.distance
    axis = directivity.on_axis
    noise, spread, count = noise_floor(heard), pooled_spread(heard), float(np.median(heard.readings))
    noisy = nothing if noise is None else DECIBEL * np.sqrt(0.5 * noise / count) / np.maximum(np.abs(axis), 1e-300)
    more = nothing if spread is None else np.sqrt(np.maximum(spread**2 / count - noisy**2, 0.0))
    at = int(np.argmin(np.abs(directivity.observation.off_axis)))
    gate = nothing
    if told.shorter is not None:
        cut = amplitude_db(told.shorter[:, 0, at]) - amplitude_db(axis)
        gate = GATE_PART * evened(directivity.observation.frequency, cut)
    return Budget(
        (
            Contribution("gate", gate, told_by="a shorter gate"),
            Contribution("position", nothing + DECIBEL * doubts.position / distance, told_by="stated"),
            Contribution("distance", nothing + DECIBEL * doubts.distance / distance, told_by="stated"),
            Contribution("microphone", nothing + doubts.microphone, told_by="stated"),
            Contribution(
                "drift", nothing + (doubts.drift if told.drift is None else told.drift[0]), told_by="stated or trend"
            ),
            Contribution("noise", noisy, kind="A", told_by="the record without sound"),
            Contribution("repeats", more, freedom=_freedom(heard), kind="A", told_by="the spread of repeats"),
        )
    )


class _Read:
    """A directivity whose index is read again with something moved."""

    def __init__(self, directivity: Directivity, weights: FloatArray) -> None:
        seen = directivity.observation
        self.seen, self.weights = seen, weights
        self.frequency = seen.frequency
        self.axis = int(np.argmin(np.abs(seen.off_axis)))
        self.square = np.abs(np.where(weights.any(axis=0), directivity.pressure, 0.0)) ** 2
        self.index = self.of(self.square)
        mean = np.einsum("fpa,pa->f", self.square, weights)
        self.mean = np.maximum(mean, 1e-300)
        self.share = weights * self.square / self.mean[:, None, None]

    def of(self, square: FloatArray) -> FloatArray:
        """Index (F,) of a squared pressure (F, P, A)."""
        mean = np.einsum("fpa,pa->f", square, self.weights)
        return power_db(np.maximum(square[:, 0, self.axis], 1e-300) / np.maximum(mean, 1e-300))

    def changed(self, moves: list[FloatArray]) -> FloatArray:
        """Root mean square (F,) of what moves of the squared pressure change of the index."""
        return np.asarray(np.sqrt(np.mean([(self.of(each) - self.index) ** 2 for each in moves], axis=0)))

    def independent(self) -> FloatArray:
        """By how much the index scatters (F,) where each reading's level does by 1."""
        share = self.share
        # The pole is one reading, whatever the number of planes that it stands in.
        axis = share[:, :, self.axis].sum(axis=1)
        rest = np.sum(share**2, axis=(1, 2)) - np.sum(share[:, :, self.axis] ** 2, axis=1)
        return np.asarray(np.sqrt((1.0 - axis) ** 2 + rest))

    def slopes(self) -> tuple[FloatArray, FloatArray]:
        """Of the level (F, P, A), dB per rad and per rad^2, outward along each plane."""
        level = power_db(np.maximum(self.square, 1e-3 * self.mean[:, None, None] * 1e-3))
        angle = self.seen.off_axis
        if angle.size < 4:
            return np.zeros_like(level), np.zeros_like(level)
        begin = "not-a-knot" if angle[0] < -1e-6 else (1, np.zeros(level.shape[:2]))
        curve = CubicSpline(angle, level, axis=2, bc_type=(begin, "not-a-knot"))
        return np.asarray(curve(angle, 1)), np.asarray(curve(angle, 2))

    def turned(self, each: float, common: float) -> FloatArray:
        """By angles that are off (rad): each reading's own, and all alike."""
        first, second = self.slopes()
        own = each**2 * np.sum((self.share * first) ** 2, axis=(1, 2))
        # Every angle off by chance: what is read on axis falls by half its curvature, power hardly changes.
        bend = 0.5 * each**2 * second
        own += (bend[:, 0, self.axis] - np.sum(self.share * bend, axis=(1, 2))) ** 2 * 3.0
        moves = [self.square * 10.0 ** (0.1 * (s * common * first + 0.5 * common**2 * second)) for s in (-1.0, 1.0)]
        return np.asarray(np.sqrt(own + self.changed(moves) ** 2) if common > 0.0 else np.sqrt(own))

    def displaced(self, by: float) -> FloatArray:
        """By a source that stands aside of the turntable's axis by so many m in each of three directions."""
        first, _ = self.slopes()
        angle, distance = self.seen.off_axis, self.seen.distance
        total = np.zeros(self.frequency.size)
        for toward, across in ((np.cos(angle), -np.sin(angle)), (np.sin(angle), np.cos(angle))):
            change = by / distance * (DECIBEL * toward + first * across)
            moves = [self.square * 10.0 ** (0.1 * sign * change) for sign in (-1.0, 1.0)]
            total += self.changed(moves) ** 2
        return np.asarray(np.sqrt(total))


def _gate(read: _Read, shorter: ComplexArray | None) -> FloatArray:
    if shorter is None:
        return np.zeros(read.frequency.size)
    cut = np.abs(np.where(read.weights.any(axis=0), shorter, 0.0)) ** 2
    return GATE_PART * evened(read.frequency, read.of(cut) - read.index)


def _freedom(heard: Heard) -> float:
    """Of the pooled spread of repeats."""
    return float(max(np.sum(np.maximum(heard.readings - 1.0, 0.0)), 1.0))


def _scatter(read: _Read, heard: Heard) -> tuple[FloatArray, FloatArray, float]:
    """What noise, and what repeats beside it, leave (F,), and the degrees of freedom of the second.

    Half the noise lies along the pressure; each direction's share of the power goes as its square. The noise also adds
    to the power: that bias is in it.
    """
    spread, noise = pooled_spread(heard), noise_floor(heard)
    count = float(np.median(heard.readings))
    noisy = np.zeros(read.frequency.size)
    if noise is not None:
        own = (
            DECIBEL**2
            * 0.5
            * noise
            / count
            * (
                np.einsum("fpa,pa->f", read.share, read.weights) / read.mean
                + 1.0 / np.maximum(read.square[:, 0, read.axis], 1e-300)
            )
        )
        bias = power_db(1.0 + noise * read.weights.sum() / read.mean)
        noisy = np.sqrt(own + bias**2)
    if spread is None:
        return noisy, np.zeros(read.frequency.size), 1.0
    each = spread / np.sqrt(count) * read.independent()
    return noisy, np.sqrt(np.maximum(each**2 - noisy**2, 0.0)), _freedom(heard)
