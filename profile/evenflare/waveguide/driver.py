"""The driver behind a waveguide: its exit, how that moves, and what drives it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.interpolate import PchipInterpolator

from evenflare.units import ComplexArray, FloatArray

SourceKind = Literal["velocity", "pressure", "impedance"]

BAND_SLACK = 1e-6
"""Of a frequency: one that was written with few digits at the end of the band is still inside."""
STILL = 1e-12
"""Of the greatest velocity of a profile: what moves less stands."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(4)


@dataclass(frozen=True)
class Source:
    """What stays as it is whatever the waveguide's throat asks of the driver.

    kind      : "velocity", 1 m/s rms over the exit; "pressure", 1 Pa rms at it; "impedance": the driver as an acoustic
                source of the blocked pressure p0 behind an impedance Zs, so that U = p0 / (Zs + Zt) flows into a throat
                of impedance Zt.
    frequency : Hz, rising; of "impedance" only, as are
    impedance : pressure over velocity at the exit, over density times speed of sound, for each frequency, and
    pressure  : Pa rms, p0 for each frequency.
    Errors    : ValueError if the lists do not belong to the kind, differ in length, do not rise, or the impedance
                gives sound power back (its real part is below 0).
    """

    kind: SourceKind = "velocity"
    frequency: tuple[float, ...] = ()
    impedance: tuple[complex, ...] = ()
    pressure: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.frequency)
        if self.kind != "impedance":
            if count or self.impedance or self.pressure:
                raise ValueError(f'a source of kind "{self.kind}" has no impedance')
            return
        if count < 2 or len(self.impedance) != count or len(self.pressure) != count:
            raise ValueError(
                "a source impedance needs two frequencies at least, and an impedance and pressure for each"
            )
        if min(self.frequency) <= 0.0 or np.any(np.diff(self.frequency) <= 0.0):
            raise ValueError("the frequencies of a source impedance must rise, from above 0")
        if min(each.real for each in self.impedance) < 0.0:
            raise ValueError("the resistance of a source must be 0 at least")
        if min(self.pressure) <= 0.0:
            raise ValueError("the pressure of a source must be above 0")

    def at_frequency(self, frequency: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """Impedance and blocked pressure (F,) of an "impedance" source at `frequency` (F,) Hz.

        Linear in log frequency between the given ones. ValueError, which names both ranges, outside them.
        """
        asked, given = np.asarray(frequency, dtype=np.float64), np.array(self.frequency)
        if not self.covers(asked):
            raise ValueError(
                f"the source's impedance is given from {given[0]:g} to {given[-1]:g} Hz: must cover what is asked,"
                f" {asked.min():g} to {asked.max():g} Hz. Measure or extend it, or ask for less"
            )
        x, known, impedance = np.log(asked), np.log(given), np.array(self.impedance)
        interpolated = np.interp(x, known, impedance.real) + 1j * np.interp(x, known, impedance.imag)
        return interpolated, np.interp(x, known, np.array(self.pressure))

    def covers(self, frequency: FloatArray) -> bool:
        """Whether what is known of it reaches over all of `frequency` (Hz)."""
        if self.kind != "impedance":
            return True
        low, high = self.frequency[0] * (1 - BAND_SLACK), self.frequency[-1] * (1 + BAND_SLACK)
        return bool(np.min(frequency) >= low and np.max(frequency) <= high)


@dataclass(frozen=True)
class Driver:
    """What radiates into the throat.

    exit_radius      : m.
    exit_half_angle  : rad, half-angle of the exit's cone: the wavefront at the exit is a cap of that half-angle,
                       flat for 0.
    velocity_profile : ((share of the exit's radius, relative velocity), ...) from the axis, share 0, to the edge,
                       share 1, rising; None for a velocity that is even all over the exit.
    source           : what stays as it is whatever the throat asks.
    Errors           : ValueError for a profile that does not run from 0 to 1, rises not, or is nowhere above 0.
    """

    exit_radius: float = 12.7e-3
    exit_half_angle: float = 0.0
    velocity_profile: tuple[tuple[float, float], ...] | None = None
    source: Source = Source()

    def __post_init__(self) -> None:
        if self.velocity_profile is None:
            return
        share, velocity = np.array(self.velocity_profile).T
        if share.size < 2 or share[0] != 0.0 or share[-1] != 1.0 or np.any(np.diff(share) <= 0.0):
            raise ValueError("a velocity profile must run from a share of 0 to one of 1 of the exit's radius, rising")
        if velocity.min() < 0.0 or velocity.max() == 0.0:
            raise ValueError("the velocities of a profile must be 0 at least, and not all 0")

    @property
    def exit_area(self) -> float:
        """m2, of the flat exit disc: predicted levels are for 1 m/s rms times this area."""
        return float(np.pi * self.exit_radius**2)

    @cached_property
    def _profile(self) -> tuple[PchipInterpolator, float]:
        """The curve over the share of the radius, and its mean over the exit's area."""
        assert self.velocity_profile is not None  # asked for only where there is one
        share, velocity = np.array(self.velocity_profile).T
        # Slopes so small that their inverse overflows are none.
        velocity = np.where(velocity > STILL * velocity.max(), velocity, 0.0)
        # Mirrored about the axis the curve is even, and without a kink there.
        curve = PchipInterpolator(
            np.concatenate([-share[:0:-1], share]), np.concatenate([velocity[:0:-1], velocity]), extrapolate=False
        )
        middle, half = 0.5 * (share[1:] + share[:-1]), 0.5 * np.diff(share)
        at = middle[:, None] + half[:, None] * _NODES  # exact: between the shares it is a cubic, times the share
        return curve, float(np.sum(half[:, None] * _WEIGHTS * 2.0 * at * curve(at)))

    def velocity(self, share: FloatArray) -> FloatArray:
        """Relative velocity of the exit at shares (any shape, 0 to 1) of its radius; its mean over the area is 1.

        A smooth even curve through the profile: piecewise cubic, and between two pairs never outside them.
        Source: Fritsch & Carlson (1980), Monotone piecewise cubic interpolation, SIAM J. Numer. Anal. 17, 238-246.
        """
        asked = np.asarray(share, dtype=np.float64)
        if self.velocity_profile is None:
            return np.ones_like(asked)
        curve, mean = self._profile
        return np.asarray(curve(np.clip(asked, 0.0, 1.0)) / mean)
