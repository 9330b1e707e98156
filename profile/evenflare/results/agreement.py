"""How two methods agree as a file: agreement.csv."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare import files
from evenflare.results import formats
from evenflare.studies.agreement import Agreement
from evenflare.units import DEGREE


def columns(agreement: Agreement) -> formats.Columns:
    """One row per frequency: index and horizontal beamwidth of both, march less boundary elements, validity."""
    found = {"frequency_hz": agreement.march.observation.frequency}
    widths = {name: each / DEGREE for name, each in agreement.beamwidth.items()}
    for what, values in (("index_db", agreement.index), ("beamwidth_deg", widths)):
        found |= {f"{name}_{what}": each for name, each in values.items()}
        found[f"difference_{what}"] = values["march"] - values["boundary_elements"]
    return found | {f"{name}_valid": each.valid.astype(np.float64) for name, each in agreement.both.items()}


def write_agreement(path: Path, agreement: Agreement, *, header: Sequence[str], cautions: Sequence[str]) -> None:
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
    files.write_text(path, formats.csv_text(columns(agreement), header=said))
