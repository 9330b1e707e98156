"""The columns of summary.csv, each once: its name, what is in it, and how a page tells it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Directivity
from evenflare.units import DEGREE, PERCENT, FloatArray


def _ever(directivity: Directivity) -> bool:
    return True


def _never(directivity: Directivity) -> bool:
    return False


def _always(directivity: Directivity, by_plane: bool) -> bool:
    return True


@dataclass(frozen=True)
class Column:
    """One column; its name ends with its unit.

    values      : (F,) in that unit; None where there is nothing to tell.
    sphere      : whether it needs the whole sphere observed, and is empty where it was not.
    there       : whether a table has it, which may be told to have each plane a column of its own.
    label       : on a page, before least and greatest; empty: no page has it.
    unit        : on a page, after the values.
    digits      : there.
    at_distance : whether the value is that of the distance of observation, which a page then tells.
    finite_only : whether only pages of what was observed at a finite distance have it.
    """

    name: str
    values: Callable[[Directivity], FloatArray | None]
    sphere: Callable[[Directivity], bool] = _never
    there: Callable[[Directivity, bool], bool] = _always
    label: str = ""
    unit: str = " dB"
    digits: int = 1
    at_distance: bool = False
    finite_only: bool = False

    def told(self, directivity: Directivity) -> str:
        """The label on a page of this directivity; empty: it has none."""
        far = directivity.observation.far_field
        if far and self.finite_only:
            return ""
        here = f", at {directivity.observation.distance:g} m"
        return self.label + (here if self.at_distance and not far else "")


def _impedance_error(directivity: Directivity) -> FloatArray | None:
    return None if directivity.impedance_error is None else directivity.impedance_error / PERCENT


def _resistance(directivity: Directivity) -> FloatArray | None:
    return None if directivity.throat_impedance is None else directivity.throat_impedance.real


def _reactance(directivity: Directivity) -> FloatArray | None:
    return None if directivity.throat_impedance is None else directivity.throat_impedance.imag


def _only_beamwidth(directivity: Directivity) -> FloatArray:
    return metrics.beamwidth(directivity, plane=float(directivity.observation.plane[0])) / DEGREE


def _one_plane(directivity: Directivity, by_plane: bool) -> bool:
    return directivity.observation.plane.size == 1 and not by_plane


def _seen(directivity: Directivity, azimuth: float) -> bool:
    """Whether that plane was observed, or another stands for it."""
    planes, symmetry = directivity.observation.plane, directivity.observation.symmetry
    stands = planes.size == 1 and symmetry == "round"
    return stands or bool(np.any(np.abs(planes - azimuth) < metrics.SAME_ANGLE))


def _beamwidth(name: str, azimuth: float) -> Column:
    """Of a plane that has a column of its own."""
    return Column(
        f"beamwidth_{name}_deg",
        lambda directivity: (
            metrics.beamwidth(directivity, plane=azimuth) / DEGREE if _seen(directivity, azimuth) else None
        ),
        there=lambda directivity, by_plane: (
            by_plane or (directivity.observation.plane.size > 1 and _seen(directivity, azimuth))
        ),
        label=f"Beamwidth at −6 dB, {name}",
        unit="°",
        at_distance=True,
    )


SUMMARY = (
    Column("frequency_hz", lambda directivity: directivity.observation.frequency),
    Column(
        "directivity_index_db",
        metrics.directivity_index,
        sphere=_ever,
        label="Directivity index, whole sphere",
        at_distance=True,
    ),
    Column(
        "far_field_index_db",
        metrics.far_field_index,
        sphere=lambda directivity: directivity.observation.far_field,  # else it was stated beside the pressures
        label="Directivity index, whole sphere, in the far field",
        finite_only=True,
    ),
    Column(
        "sound_power_index_db",
        lambda directivity: metrics.standard_curves(directivity).sound_power_index,
        sphere=_ever,
        label="Directivity index, sound power",
        at_distance=True,
    ),
    Column("beamwidth_deg", _only_beamwidth, there=_one_plane, label="Beamwidth at −6 dB", unit="°", at_distance=True),
    *(_beamwidth(name, azimuth) for name, azimuth in metrics.PLANES.items()),
    Column("on_axis_level_db", metrics.on_axis_level),
    Column("on_axis_phase_deg", lambda directivity: metrics.on_axis_phase(directivity) / DEGREE),
    Column("sound_power_level_db", metrics.sound_power_level, sphere=_ever),
    Column("throat_resistance", _resistance),
    Column("throat_reactance", _reactance),
    Column(
        "error_estimate_db",
        lambda directivity: directivity.error_estimate,
        label="Error estimate of the index",
        digits=3,
    ),
    Column(
        "polar_error_db",
        lambda directivity: directivity.polar_error,
        label="Error estimate of the polar response",
        digits=3,
    ),
    Column(
        "impedance_error_percent",
        _impedance_error,
        label="Error estimate of the throat impedance",
        unit=" %",
        digits=3,
    ),
    Column("valid", lambda directivity: directivity.valid.astype(np.float64)),
)
