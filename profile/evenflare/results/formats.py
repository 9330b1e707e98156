"""What all tables and records have in common: columns by name, their decimals, CSV and JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.text import quoted, table
from evenflare.units import FloatArray

Columns = dict[str, FloatArray]
"""Columns of one table by name, all of one length; nan where a value does not apply."""

LOUD = "caution: a sweep through a waveguide is loud at its mouth; start low and protect your ears"

_DECIMALS = {"hz": 4, "deg": 3, "db": 4, "percent": 4}
"""By the last part of a column's name; other numbers get six significant digits."""
_AXES = ("frequency_hz", "azimuth_deg", "off_axis_deg")
"""Columns without trailing zeros: they are mostly round numbers."""


def csv_text(columns: Mapping[str, FloatArray | Sequence[str]], *, header: Iterable[str]) -> str:
    """A CSV file's text: `header` as lines that begin with #, a row of names, the rows; empty where not finite."""
    written = [_written(name, values) for name, values in columns.items()]
    return table(columns, zip(*written, strict=True), header=header)


def json_text(record: Mapping[str, Any]) -> str:
    """A record as indented JSON; numpy's numbers and arrays as plain ones."""
    return json.dumps(record, indent=2, default=plain, ensure_ascii=False) + "\n"


def _written(name: str, values: FloatArray | Sequence[str]) -> list[str]:
    """A column's cells."""
    numbers = np.asarray(values)
    if numbers.dtype.kind in "UO":
        return [quoted(each) if isinstance(each, str) else _written(name, np.array([each]))[0] for each in values]
    last = name.rsplit("_", 1)[-1]
    form = ".0f" if name == "valid" else f".{_DECIMALS[last]}f" if last in _DECIMALS else ".6g"
    if last in _DECIMALS:
        # Adding zero turns -0.0 into 0.0.
        numbers = np.round(numbers, _DECIMALS[last]) + 0.0
    # Plain numbers: numpy's own take three times as long to write.
    finite = np.isfinite(numbers).tolist()
    cells = [
        f"{each:{form}}" if good else "" for each, good in zip(numbers.astype(float).tolist(), finite, strict=True)
    ]
    return [each.rstrip("0").rstrip(".") for each in cells] if name in _AXES else cells


def plain(value: Any) -> Any:
    """A value that JSON cannot hold as one that it can."""
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    return str(value)
