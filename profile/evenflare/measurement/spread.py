"""Several units of one design: how they scatter about their mean, and how each differs from a reference unit.

Levels count from each unit's own on-axis level. Measured again and again, one unit tells what a measurement repeats:
units that scatter more than that differ.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare import metrics
from evenflare.bands import band_edges
from evenflare.directivity.types import Directivity, Observation
from evenflare.measurement.common import common, differences
from evenflare.measurement.compare import LOWEST_LEVEL, Comparison, area_weights, octave_bands
from evenflare.units import BoolArray, FloatArray, read_only


@dataclass(frozen=True)
class SpreadFigures:
    """Of the standard deviation between units, over some cells; nan and None where there are none.

    standard_deviation : dB, root of the mean variance, weighted by area; frequencies count alike.
    largest            : dB, and where: Hz, rad, rad.
    cells              : how many.
    """

    standard_deviation: float
    largest: tuple[float, float, float, float] | None
    cells: int


@dataclass(frozen=True)
class Spread:
    """Units on what they all have in common.

    units  : by name, in their order, on one observation.
    reference_unit : name of the unit that the others are held against.
    """

    units: Mapping[str, Directivity]
    reference_unit: str

    @property
    def observation(self) -> Observation:
        """Of all units."""
        return self.units[self.reference_unit].observation

    @property
    def valid(self) -> BoolArray:
        """(F,) where every unit can be trusted."""
        return np.asarray(np.all([each.valid for each in self.units.values()], axis=0))

    @property
    def seen(self) -> BoolArray:
        """(A,) angles in front of a baffle."""
        return np.asarray(~np.any([each.behind for each in self.units.values()], axis=0))

    @cached_property
    def levels(self) -> FloatArray:
        """(N, F, P, A) dB re each unit's own on axis."""
        return read_only([metrics.levels_re_on_axis(each) for each in self.units.values()])

    @cached_property
    def counted(self) -> BoolArray:
        """(F, P, A) cells that count: every unit above -20 dB, seen and valid."""
        loud = np.all(np.isfinite(self.levels) & (self.levels > LOWEST_LEVEL), axis=0)
        return np.asarray(loud & self.seen & self.valid[:, None, None])

    @cached_property
    def mean(self) -> FloatArray:
        """(F, P, A) dB, mean of the units' levels; nan outside the counted cells."""
        return self._over_units(lambda levels: np.mean(levels, axis=0))

    @cached_property
    def standard_deviation(self) -> FloatArray:
        """(F, P, A) dB, of a unit: sample standard deviation (N - 1) over the units; nan outside the counted cells."""
        return self._over_units(lambda levels: np.std(levels, axis=0, ddof=1))

    @cached_property
    def span(self) -> FloatArray:
        """(F, P, A) dB, greatest less least level over the units; nan outside the counted cells."""
        return self._over_units(lambda levels: np.ptp(levels, axis=0))

    def _over_units(self, taken: Callable[[FloatArray], FloatArray]) -> FloatArray:
        found = np.full(self.counted.shape, np.nan)
        found[self.counted] = taken(self.levels[:, self.counted])
        return found

    @cached_property
    def against_reference(self) -> dict[str, Comparison]:
        """Every other unit against the reference unit, by name; the reference unit stands for the prediction."""
        reference_unit = self.units[self.reference_unit]
        return {
            name: Comparison(each, reference_unit) for name, each in self.units.items() if name != self.reference_unit
        }

    def figures(self, where: BoolArray | None = None) -> SpreadFigures:
        """Over the counted cells of `where`, which spreads to (F, P, A); over all of them if left out."""
        used = self.counted if where is None else self.counted & where
        if not used.any():
            return SpreadFigures(np.nan, None, 0)
        at = self.observation
        weight = np.broadcast_to(
            area_weights(at.off_axis, half_space=self.units[self.reference_unit].half_space), used.shape
        )[used]
        value = self.standard_deviation[used]
        f, p, a = (int(each) for each in np.argwhere(used)[int(value.argmax())])
        largest = (float(value.max()), float(at.frequency[f]), float(at.plane[p]), float(at.off_axis[a]))
        return SpreadFigures(float(np.sqrt(np.average(value**2, weights=weight))), largest, int(value.size))

    @cached_property
    def bands(self) -> tuple[tuple[float, float, SpreadFigures], ...]:
        """Midband of each octave band (Hz), azimuth of each plane (rad), and the figures there."""
        frequency, planes = self.observation.frequency, self.observation.plane
        found = []
        for midband in octave_bands(frequency[self.valid]):
            low, high = (float(edge) for edge in band_edges(midband, fraction=1))
            inside = ((frequency >= low) & (frequency < high))[:, None, None]
            for p, azimuth in enumerate(planes):
                mine = inside & (np.arange(planes.size)[:, None] == p)
                found.append((float(midband), float(azimuth), self.figures(mine)))
        return tuple(found)

    @cached_property
    def index(self) -> FloatArray | None:
        """(N, F) dB, each unit's whole-sphere directivity index; None where the angles leave out part of the sphere."""
        try:
            return np.array([metrics.directivity_index(each) for each in self.units.values()])
        except ValueError:
            return None

    @cached_property
    def on_axis(self) -> FloatArray:
        """(N, F) dB re 20 uPa, each unit's level on axis as it was measured."""
        return np.array([metrics.on_axis_level(each) for each in self.units.values()])

    @cached_property
    def gains(self) -> dict[str, float]:
        """dB, each unit's level on axis less the reference unit's, mean over the valid frequencies: its sensitivity."""
        reference_unit = list(self.units).index(self.reference_unit)
        with np.errstate(invalid="ignore"):
            away = (self.on_axis - self.on_axis[reference_unit])[:, self.valid]
        return {
            name: float(np.mean(row[np.isfinite(row)])) if np.isfinite(row).any() else np.nan
            for name, row in zip(self.units, away, strict=True)
        }


def spread(units: Mapping[str, Directivity], *, reference_unit: str | None = None) -> Spread:
    """Two units or more at their common frequencies and directions.

    reference_unit : name of one of them; the first if left out.
    Air may differ from unit to unit, as from day to day: see `air_shift`.
    Errors : ValueError, in words without a remedy, if there are fewer than two, no such reference unit, or `common`
             finds that two cannot be compared; also where no cell counts.
    """
    if len(units) < 2:
        raise ValueError(f"holds {len(units)} unit: must be two at least")
    chosen = next(iter(units)) if reference_unit is None else reference_unit
    if chosen not in units:
        raise ValueError(f"reference unit {chosen}: must be one of {', '.join(units)}")
    shared = units[chosen]
    for name, each in units.items():
        try:
            shared = common(shared, each, same_air=False).first
        except ValueError as error:
            raise ValueError(f"{chosen} and {name}: {error}") from None
    found = Spread({name: common(shared, each, same_air=False).second for name, each in units.items()}, chosen)
    if not found.counted.any():
        raise ValueError(f"no direction in which all lie above {LOWEST_LEVEL:g} dB at a frequency valid in all")
    return found


def air_shift(found: Spread) -> float:
    """How far the air moves one unit's pattern along the frequency axis against another's: ratio of speeds less 1.

    0 where all air counts as the same.
    """
    reference_unit = found.units[found.reference_unit]
    if not any("air" in differences(reference_unit, each) for each in found.units.values()):
        return 0.0
    speeds = [each.speed_of_sound for each in found.units.values()]
    return max(speeds) / min(speeds) - 1.0
