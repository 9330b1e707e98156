"""Where a result can be trusted, and how exact it says it is, in words."""

from __future__ import annotations

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.units import PERCENT
from evenflare.words import hertz


def valid_words(directivity: Directivity) -> str:
    """At which of its frequencies a result can be trusted."""
    frequency, valid = directivity.observation.frequency, directivity.valid
    if not valid.any():
        return "nowhere"
    of = " for the sphere it takes the body for" if "approximation" in directivity.provenance else ""
    runs = np.split(np.arange(valid.size), np.flatnonzero(np.diff(valid.astype(int))) + 1)
    ends = [(hertz(frequency[run[0]]), hertz(frequency[run[-1]])) for run in runs if valid[run[0]]]
    return "from " + " and ".join(low if low == high else f"{low} to {high}" for low, high in ends) + of


def errors_at_most(directivity: Directivity) -> str:
    """The greatest of each error that a directivity states; empty if it states none."""
    said = (
        ("of the index", directivity.error_estimate, 1.0, " dB"),
        ("of the polar response", directivity.polar_error, 1.0, " dB"),
        ("of the throat impedance", directivity.impedance_error, PERCENT, " %"),
    )
    told = [f"{np.max(each) / unit:.3f}{name} {of}" for of, each, unit, name in said if each is not None]
    return ", ".join(told) + " at most" if told else ""
