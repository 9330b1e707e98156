"""Both methods on one waveguide: their curves, how far they part, and whether that is more than it may be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from evenflare import metrics, radiation
from evenflare.design.file import Design
from evenflare.directivity.types import Directivity
from evenflare.radiation import Method
from evenflare.studies.trust import valid_words
from evenflare.target.target import Target
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide import Mounting
from evenflare.words import hertz, signed

RMS_BOUND = 0.3
"""dB rms of the index: three times what both are shown to part by at most (0.1 dB), and below the tightest tolerance
that a target usually gives (0.5 dB), so that no disagreement which could change a choice goes unsaid.
"""
LARGEST_BOUND = 1.0
"""dB of the index at any one frequency: an error in a narrow band, which an rms over the whole would hide."""
METHODS = {"march": "march", "boundary_elements": "boundary elements"}
"""The methods by the names that the command line takes, as a page says them."""


@dataclass(frozen=True)
class Agreement:
    """One waveguide solved by both methods at the same frequencies.

    march, boundary_elements : what each found.
    mounting : in which; the march takes a free-standing body for a sphere.
    band     : Hz, in which their difference is held against the bounds, as that of a target; None: everywhere.
    Errors   : ValueError if they were observed differently.
    """

    march: Directivity
    boundary_elements: Directivity
    mounting: Mounting = Mounting()
    band: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        one, other = self.march.observation, self.boundary_elements.observation
        if not np.array_equal(one.frequency, other.frequency):
            raise ValueError("both methods must be observed at the same frequencies")

    @cached_property
    def index(self) -> dict[str, FloatArray]:
        """(F,) dB by the names of METHODS: the directivity index."""
        return {name: metrics.directivity_index(each) for name, each in self.both.items()}

    @cached_property
    def beamwidth(self) -> dict[str, FloatArray]:
        """(F,) rad by the names of METHODS: the horizontal beamwidth."""
        return {name: metrics.beamwidth(each, plane=0.0) for name, each in self.both.items()}

    @property
    def both(self) -> dict[str, Directivity]:
        """What was found by the names of METHODS."""
        return {name: getattr(self, name) for name in METHODS}

    @cached_property
    def difference(self) -> FloatArray:
        """(F,) dB, the index of the march less that of boundary elements."""
        return np.asarray(self.index["march"] - self.index["boundary_elements"])

    @property
    def counted(self) -> BoolArray:
        """(F,) where both are valid, inside the band."""
        frequency = self.march.observation.frequency
        low, high = self.band or (0.0, np.inf)
        inside = (frequency >= low * (1 - 1e-9)) & (frequency <= high * (1 + 1e-9))
        known = np.isfinite(self.difference)
        return np.asarray(self.march.valid & self.boundary_elements.valid & inside & known)

    @property
    def rms(self) -> float:
        """dB, of the difference of the index where it counts; nan where nothing does."""
        difference = self.difference[self.counted]
        return float(np.sqrt(np.mean(difference**2))) if difference.size else float("nan")

    @property
    def largest(self) -> tuple[float, float]:
        """dB and Hz: the largest difference of the index where it counts, with its sign; nan where nothing does."""
        difference = np.where(self.counted, self.difference, 0.0)
        at = int(np.abs(difference).argmax())
        if not self.counted.any():
            return float("nan"), float("nan")
        return float(difference[at]), float(self.march.observation.frequency[at])

    @property
    def within(self) -> bool:
        """Whether the methods agree as well as they must; False where they cannot be compared."""
        return bool(self.rms <= RMS_BOUND and abs(self.largest[0]) <= LARGEST_BOUND)

    @property
    def measured(self) -> str:
        """How far they part, in words."""
        if not self.counted.any():
            return "both methods are valid at no common frequency"
        frequency = self.march.observation.frequency[self.counted]
        largest, at = self.largest
        return (
            f"the index of the march less that of boundary elements is {self.rms:.3f} dB rms from {hertz(frequency[0])}"
            f" to {hertz(frequency[-1])}, at most {signed(largest)} dB, at {hertz(at)}"
        )

    @property
    def warning(self) -> str:
        """What a user must see before anything else; empty where the methods agree."""
        if self.within:
            return ""
        return (
            f"the two methods disagree: {self.measured} (allowed: {RMS_BOUND:g} dB rms and {LARGEST_BOUND:g} dB"
            f" anywhere). {self.remedy}"
        )

    @property
    def remedy(self) -> str:
        """What to make of a disagreement."""
        if self.mounting.kind == "free_standing":
            return "The march takes the body for a sphere: rely on boundary elements, which solve it as it is"
        return (
            "Both solve the same waveguide, so one of them is wrong: trust neither where they part. Look there for a"
            " sharp bend of the wall, and solve at the setting full"
        )

    @property
    def lines(self) -> list[str]:
        """What a page says, a sentence each."""
        return [
            f"{self.measured[0].upper()}{self.measured[1:]}. More than {RMS_BOUND:g} dB rms, or {LARGEST_BOUND:g} dB at"
            f" any frequency{' of the target' if self.band else ''}, is a warning at the top of this page.",
            f"The march is valid {valid_words(self.march)}; boundary elements are valid"
            f" {valid_words(self.boundary_elements)}. Valid is where a method's own estimate of its error of the index"
            " is at most 0.5 dB.",
        ]

    @property
    def record(self) -> dict[str, Any]:
        """Plain values for provenance."""
        largest, at = self.largest
        known = bool(self.counted.any())
        return {
            "index_rms_db": self.rms if known else None,
            "index_largest_db": largest if known else None,
            "largest_at_hz": at if known else None,
            "frequencies": int(self.counted.sum()),
            "allowed_rms_db": RMS_BOUND,
            "allowed_largest_db": LARGEST_BOUND,
            "within": self.within,
        }


def other_method(method: Method) -> Method:
    """The one that shares nothing with it but the wall."""
    return "march" if method == "boundary_elements" else "boundary_elements"


def compared(design: Design, first: Directivity, method: Method, *, target: Target | None = None) -> Agreement:
    """What one method found of a round design, beside what the other finds at its exact setting.

    first  : by `method`, observed as `design` says.
    target : in whose range of frequencies they must agree.
    Errors : ValueError or ArithmeticError where the other method cannot solve it.
    """
    other = other_method(method)
    both = {method: first, other: radiation.solve(design, method=other)}
    band = None if target is None else (float(target.frequency[0]), float(target.frequency[-1]))
    return Agreement(both["march"], both["boundary_elements"], design.waveguide.mounting, band)
