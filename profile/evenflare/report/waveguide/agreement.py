"""Both methods on one waveguide: their curves, how far they part, and whether that is more than it may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import files, metrics
from evenflare.directivity.types import Directivity
from evenflare.report.kit import canvas, style
from evenflare.results import tables
from evenflare.units import DEGREE, BoolArray, FloatArray
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
    def columns(self) -> tables.Columns:
        """One row per frequency: index and horizontal beamwidth of both, march less boundary elements, validity."""
        columns = {"frequency_hz": self.march.observation.frequency}
        both = {name: getattr(self, name) for name in METHODS}
        for what, values in (
            ("index_db", {name: metrics.directivity_index(each) for name, each in both.items()}),
            ("beamwidth_deg", {name: metrics.beamwidth(each, plane=0.0) / DEGREE for name, each in both.items()}),
        ):
            columns |= {f"{name}_{what}": found for name, found in values.items()}
            columns[f"difference_{what}"] = values["march"] - values["boundary_elements"]
        return columns | {f"{name}_valid": each.valid.astype(np.float64) for name, each in both.items()}

    @property
    def counted(self) -> BoolArray:
        """(F,) where both are valid, inside the band."""
        frequency = self.march.observation.frequency
        low, high = self.band or (0.0, np.inf)
        inside = (frequency >= low * (1 - 1e-9)) & (frequency <= high * (1 + 1e-9))
        known = np.isfinite(self.columns["difference_index_db"])
        return np.asarray(self.march.valid & self.boundary_elements.valid & inside & known)

    @property
    def rms(self) -> float:
        """dB, of the difference of the index where it counts; nan where nothing does."""
        difference = self.columns["difference_index_db"][self.counted]
        return float(np.sqrt(np.mean(difference**2))) if difference.size else float("nan")

    @property
    def largest(self) -> tuple[float, float]:
        """dB and Hz: the largest difference of the index where it counts, with its sign; nan where nothing does."""
        difference = np.where(self.counted, self.columns["difference_index_db"], 0.0)
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


def valid_words(directivity: Directivity) -> str:
    """At which of its frequencies a result can be trusted."""
    frequency, valid = directivity.observation.frequency, directivity.valid
    if not valid.any():
        return "nowhere"
    of = " for the sphere it takes the body for" if "approximation" in directivity.provenance else ""
    runs = np.split(np.arange(valid.size), np.flatnonzero(np.diff(valid.astype(int))) + 1)
    ends = [(hertz(frequency[run[0]]), hertz(frequency[run[-1]])) for run in runs if valid[run[0]]]
    return "from " + " and ".join(low if low == high else f"{low} to {high}" for low, high in ends) + of


def write(path: Path, agreement: Agreement, *, header: Sequence[str], cautions: Sequence[str]) -> None:
    """`agreement.csv`. header : lines that say whose it is; cautions : as of other tables.

    Errors: InputError if it cannot be written.
    """
    said = [
        "agreement: directivity index (whole sphere) and horizontal beamwidth by both methods",
        *header,
        "units: Hz, dB, degrees; difference: march less boundary elements; valid 1 where a method can be trusted",
        *cautions,
        agreement.measured,
        *([f"caution: {agreement.warning}"] if agreement.warning else []),
    ]
    files.write_text(path, tables.csv_text(agreement.columns, header=said))


def figure(agreement: Agreement) -> Any:
    """Index and horizontal beamwidth of both methods over frequency, and the difference of the index."""
    columns, frequency = agreement.columns, agreement.march.observation.frequency
    drawn, (above, difference, below) = canvas.stacked(6.4, ratios=(3, 1.6, 3))
    style.dressed(above, "Two methods", x="", y="index, dB")
    style.dressed(difference, "", x="", y="march less\nb. elements, dB")
    style.dressed(below, "", x="frequency, Hz", y="horizontal beamwidth, degrees")
    for (name, words), (colour, dash) in zip(METHODS.items(), style.LINES, strict=False):
        for axes, what in ((above, "index_db"), (below, "beamwidth_deg")):
            axes.plot(frequency, columns[f"{name}_{what}"], color=colour, linestyle=dash, linewidth=1.9, label=words)
    _bounds(difference, frequency, columns["difference_index_db"])
    above.set_ylim(0, style.ceiling(above, 2.0))
    below.set_ylim(0, style.ceiling(below, 30.0))
    below.set_yticks(np.arange(0, below.get_ylim()[1] + 1, 30))
    valid = agreement.march.valid & agreement.boundary_elements.valid
    for axes in (above, difference, below):
        style.over_frequency(axes, frequency, valid, veil="one is not valid" if axes is above else "")
    style.legend(above)
    return drawn


def _bounds(axes: Any, frequency: FloatArray, difference: FloatArray) -> None:
    """The difference over the band that it must not leave anywhere."""
    axes.axhspan(-LARGEST_BOUND, LARGEST_BOUND, color=style.GREEN, alpha=0.18, linewidth=0)
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8)
    axes.plot(frequency, difference, color=style.INK, linewidth=1.5)
    reach = max(1.5 * LARGEST_BOUND, 1.1 * float(np.nanmax(np.abs(difference), initial=0.0)))
    axes.set_ylim(-reach, reach)
