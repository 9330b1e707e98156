"""`low_end.csv`: the level on axis over the whole range, and what it is made of."""

from __future__ import annotations

import numpy as np

from evenflare import metrics
from evenflare.measurement.low_end import LowEnd
from evenflare.results.formats import Columns
from evenflare.units import DEGREE, REFERENCE_PRESSURE, amplitude_db


def columns(found: LowEnd) -> Columns:
    """A row per frequency."""
    directivity = found.directivity
    return {
        "frequency_hz": directivity.observation.frequency,
        "on_axis_level_db": metrics.on_axis_level(directivity),
        "on_axis_phase_deg": metrics.on_axis_phase(directivity) / DEGREE,
        "gated_db": amplitude_db(found.gated / REFERENCE_PRESSURE),
        "near_field_db": amplitude_db(found.near / REFERENCE_PRESSURE),
        "near_share": found.share,
        "far_over_near_db": amplitude_db(found.model.ratio),
        "combined_db": found.budget.combined,
        "coverage_factor": found.budget.factor(),
        "valid": directivity.valid.astype(np.float64),
    }
