"""What `measure` writes of the low end: near field and gated reading as one, its budget, and the whole range."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenflare import files

if TYPE_CHECKING:
    from evenflare.design.file import Design
    from evenflare.measurement.assemble import Assembled
    from evenflare.measurement.low_end import LowEnd
    from evenflare.measurement.readings import Session

FULL_RANGE = "full_range"
"""Folder beside the tables that holds those of the whole range."""


def joined(session: Session, design: Design | None, found: Assembled) -> LowEnd:
    """The near field of a session and what it measured at a distance. Errors: InputError."""
    from evenflare.commands.near_model import near_model
    from evenflare.measurement.low_end import low_end
    from evenflare.units import MILLISECOND

    gate = (found.findings.get("gate") or {}).get("length_ms")
    return low_end(
        session,
        found.directivity,
        found.budgets["on_axis_level"],
        near_model(session, design),
        gate=None if gate is None else gate * MILLISECOND,
    )


def write_low_end(
    low: LowEnd, session: Session, record: Mapping[str, Any], folder: Path, *, made: dict[str, Any]
) -> list[tuple[str, str]]:
    """low_end.csv, and the tables of the whole range with their budget in a folder of their own.

    made : how it came about, for its provenance.json.
    """
    from evenflare.measurement.assemble import Assembled
    from evenflare.results import budget, formats, tables
    from evenflare.results.low_end import columns

    own = {"name": session.name, "design_id": record["design_id"]}
    first, last = low.findings["overlap_hz"]
    cautions = [
        f"on axis below {first:g} Hz a reading close to the mouth, taken to {session.rig.distance:g} m by"
        f" {low.model.told_by}; from there to {last:g} Hz it gives way to the gated reading",
        f"other directions below {first:g} Hz are not measured but the model's, re on axis; near_share of low_end.csv"
        " is their share up to where that ends. A comparison with the model there compares it with itself",
        formats.LOUD,
    ]
    header = [f"low end of: {session.name}", "units: Hz, dB re 20 uPa, degrees", *cautions]
    files.write_text(folder / "low_end.csv", formats.csv_text(columns(low), header=header))
    place = folder / FULL_RANGE
    tables.write_solution(place, low.directivity, **own, provenance=made, cautions=cautions, by_plane=True)
    parts = Assembled(low.directivity, low.findings, {"on_axis_level": low.budget}, None)
    header = [
        f"uncertainty budget by JCGM 100 of the level on axis of: {session.name}",
        "units: Hz, dB; standard uncertainties; interval: combined_db times coverage_factor to either side, 95 %",
        *cautions,
    ]
    files.write_text(place / "budget.csv", formats.csv_text(budget.columns(parts), header=header))
    return [
        ("low_end.csv", "level on axis down to the near field's lowest frequency, its parts and uncertainty"),
        (
            f"{FULL_RANGE}/",
            "the same tables over the whole range, directions below the overlap the model's; budget.csv",
        ),
    ]


def low_end_words(low: LowEnd) -> str:
    """What was joined, and how well, in a line."""
    told = low.findings
    first, last = told["overlap_hz"]
    return (
        f"Low end (low_end.csv, {FULL_RANGE}/): near field joined over {first:g} to {last:g} Hz, where both differ by"
        f" {told['scale_spread_db']:.2f} dB; on axis trusted from {told['valid_from_hz']:.0f} Hz, standard uncertainty"
        f" there {told['combined_at_lowest_db']:.2f} dB; by {told['model']}"
    )
