"""What a solver says of its own error: how far its answer lies from one found on a finer division of the same problem.

Answers are compared as complex numbers, not as levels: an error turns in phase over frequency and angle, and what it
does to a level passes through zero, where a single look would find nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import Observation
from evenflare.units import BoolArray, ComplexArray, FloatArray, IntArray

MARGIN = 1.5
"""Of the stated error over the difference found, as the finer answer has an error of its own: over walls with corners
and ripples up to half of that (measured on 200 shapes drawn at random)."""
IN_QUADRATURE = 0.5
"""How much a difference in quadrature counts against one in phase, of a pressure whose level is asked for. None of it
shows, but a little way on in frequency it is the other that does not."""
SMALLEST_ERROR = 1e-4
"""dB; no estimate claims less."""
SMALLEST_SHARE = 1e-4
"""Of the throat impedance; no estimate claims less."""
VALID_ERROR = 0.5
"""dB; where the estimated error of the index is larger the result is marked as not valid, and so it is where that of
the polar response is larger than"""
VALID_POLAR_ERROR = 6.0
"""dB, what defines a beam."""
SAME_ANGLE = 1e-9
"""rad from the axis, below which a direction is on it."""
SEEN = 0.1
"""Of the pressure on axis: polar responses are compared down to 20 dB below it."""


DB_PER_SHARE = 20.0 / float(np.log(10.0))
"""dB of level for a small share of the pressure, added in phase."""


def level_slope(pressure: ComplexArray, slope: ComplexArray) -> FloatArray:
    """dB, the change of the level of a pressure that changes by `slope`; 0 where there is none. Arrays broadcast."""
    known = np.broadcast_to(pressure != 0.0, slope.shape)
    share = np.divide(slope, pressure, out=np.zeros_like(slope), where=known)
    return np.asarray(DB_PER_SHARE * share.real)


@dataclass(frozen=True)
class FieldSamples:
    """What is compared of an answer.

    pressure  : (F, P, A) Pa or Pa m, as observed.
    on_axis   : (F,) in the far field, to a factor that the finer answer shares.
    power     : (F,) W.
    impedance : (F,) of the throat.
    """

    pressure: ComplexArray
    on_axis: ComplexArray
    power: FloatArray
    impedance: ComplexArray

    def at_frequencies(self, rows: IntArray) -> FieldSamples:
        """At some of its frequencies."""
        return FieldSamples(self.pressure[rows], self.on_axis[rows], self.power[rows], self.impedance[rows])


@dataclass(frozen=True)
class OwnError:
    """(F,) each: of the index and of the polar response, dB, and of the throat impedance, as a share of it.

    The index is meant in the far field and at the distance observed, whichever errs more. The polar error is the
    largest, re on axis, over the observed directions whose level is above -20 dB re on axis.
    """

    index: FloatArray
    polar: FloatArray
    impedance: FloatArray

    @property
    def valid(self) -> BoolArray:
        """(F,) True where the result can be trusted."""
        return np.asarray((self.index <= VALID_ERROR) & (self.polar <= VALID_POLAR_ERROR))

    def at_least(self, share: FloatArray) -> OwnError:
        """No less than what comes of every pressure being off by a share (F,) of it."""
        level = DB_PER_SHARE * share
        return OwnError(np.maximum(self.index, level), np.maximum(self.polar, level), np.maximum(self.impedance, share))


def own_error(found: FieldSamples, finer: FieldSamples, *, overlap: ComplexArray, observation: Observation) -> OwnError:
    """The error of what was found, from a finer answer at the same frequencies (F,).

    overlap : (F,) of both sound fields, the mean over all directions of conj(found) times finer, to a real factor. A
              turn in phase that all directions share changes neither index nor polar response, and is taken out.
    """
    alike = np.sqrt(finer.power / found.power) * np.exp(1j * np.angle(overlap))
    index = _level(alike * found.on_axis / finer.on_axis)
    axis = np.flatnonzero(np.abs(observation.off_axis) < SAME_ANGLE)
    if axis.size:
        found_reference, finer_reference = found.pressure[:, 0, axis[0]], finer.pressure[:, 0, axis[0]]
        index = np.maximum(index, _level(alike * found_reference / finer_reference))
    else:  # each re the direction where the finer is loudest
        rows = np.arange(len(overlap))
        loudest = np.abs(finer.pressure).reshape(rows.size, -1).argmax(axis=1)
        found_reference, finer_reference = (
            each.pressure.reshape(rows.size, -1)[rows, loudest] for each in (found, finer)
        )
    seen = np.abs(finer.pressure) > SEEN * np.abs(finer_reference)[:, None, None]
    ratio = found.pressure / np.where(seen, finer.pressure, np.inf) * (finer_reference / found_reference)[:, None, None]
    # The direction that errs most lies where the difference is in phase.
    polar = MARGIN * DB_PER_SHARE * np.max(np.abs(ratio - 1.0), axis=(1, 2), where=seen, initial=0.0)
    impedance = MARGIN * np.abs(found.impedance - finer.impedance) / np.abs(finer.impedance)
    return OwnError(
        np.maximum(index, SMALLEST_ERROR), np.maximum(polar, SMALLEST_ERROR), np.maximum(impedance, SMALLEST_SHARE)
    )


def _level(ratio: ComplexArray) -> FloatArray:
    """dB, the error of a level from the ratio of two pressures."""
    return MARGIN * DB_PER_SHARE * np.hypot(ratio.real - 1.0, IN_QUADRATURE * ratio.imag)


def between(error: OwnError, checked: IntArray, count: int) -> OwnError:
    """The error at all of `count` frequencies from that at some of them, of rising index, the last among them: its
    logarithm is straight between, and level below.
    """

    def spread(values: FloatArray) -> FloatArray:
        return np.exp(np.interp(np.arange(count), checked, np.log(values)))

    return OwnError(spread(error.index), spread(error.polar), spread(error.impedance))
