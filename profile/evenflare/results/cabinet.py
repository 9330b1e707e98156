"""One waveguide in several mountings as a file: cabinet_effect.csv."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare import files
from evenflare.results import formats
from evenflare.studies.cabinet import CabinetEffect
from evenflare.units import DEGREE


def columns(found: CabinetEffect) -> formats.Columns:
    """One row per frequency: index, beamwidth by plane, on-axis level and validity of each case, prefixed by it."""
    held: formats.Columns = {"frequency_hz": found.frequency}
    for each in found.mounted:
        held |= {
            f"{each.case.name}_index_db": each.index,
            f"{each.case.name}_beamwidth_deg": each.beamwidth / DEGREE,
            f"{each.case.name}_on_axis_level_db": each.on_axis_level,
            f"{each.case.name}_valid": each.valid.astype(np.float64),
            f"{each.case.name}_beamwidth_vertical_deg": each.beamwidth_vertical / DEGREE,
        }
    return held


def write_cabinet_effect(
    path: Path, found: CabinetEffect, *, header: Sequence[str], cautions: Sequence[str], distance: float
) -> None:
    """`cabinet_effect.csv`. header : lines that say whose it is; cautions : as of other tables; distance : m, or inf.

    Errors: InputError if it cannot be written.
    """
    seen = "1 m" if np.isinf(distance) else f"{distance:g} m"
    how = {
        "march": "the march",
        "boundary_elements": "boundary elements",
        None: "boundary elements, the march in the baffle",
    }
    solved = f"solved by {how[found.method]}"
    said = [
        "cabinet effect: directivity index (whole sphere), beamwidth (horizontal, unless it says vertical) and on-axis"
        " level by mounting",
        *header,
        f"units: Hz, dB, degrees; level re 20 uPa at {seen}; {solved}; valid 1 where to be trusted",
        *(f"{each.case.name}: {each.case.where_words}" for each in found.mounted),
        *found.missing,
        *cautions,
    ]
    files.write_text(path, formats.csv_text(columns(found), header=said))
