"""`budget.csv`: the parts of a measurement's uncertainty."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.measurement.assemble import Assembled


def columns(found: Assembled) -> dict[str, Any]:
    """A row per quantity and frequency, a column per part; empty where a part does not belong to the quantity."""
    frequency = found.directivity.observation.frequency
    names = dict.fromkeys(part.name for budget in found.budgets.values() for part in budget.parts)
    columns: dict[str, list[Any]] = {}
    for quantity, budget in found.budgets.items():
        parts = {part.name: part.size for part in budget.parts}
        rows = {
            "frequency_hz": frequency,
            "on_axis": np.full(frequency.size, float(quantity != "index")),
            **{f"{name}_db": parts.get(name, np.full(frequency.size, np.nan)) for name in names},
            "combined_db": budget.combined,
            "degrees_of_freedom": np.where(np.isfinite(budget.freedom), budget.freedom, np.nan),
            "coverage_factor": budget.factor(),
            "valid": found.directivity.valid.astype(float),
        }
        for name, values in rows.items():
            columns.setdefault(name, []).append(values)
    return {name: np.concatenate(values) for name, values in columns.items()}
