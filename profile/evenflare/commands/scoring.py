"""What `score` does: a design against a target, its terms and limits, and where on the wall they are worst."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare import radiation
from evenflare.commands.advice import TargetAnswer, after_score
from evenflare.commands.remarks import air_warnings, check_solvable, faults_of
from evenflare.design.file import read_design
from evenflare.objective import Score, score, search_observation
from evenflare.radiation import method_for
from evenflare.studies.verdict import Reading, verdict
from evenflare.target.target import read_target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Place, limit_places


@dataclass(frozen=True)
class ScoredDesign:
    """A design's score, where on its wall each limit is nearest or worst, what a user should know, and the answer."""

    score: Score
    places: Mapping[str, Place]
    notes: Sequence[str]
    answer: TargetAnswer


def score_command(path: Path, target_path: Path) -> ScoredDesign:
    """`score`: a design against a target."""
    design, target = read_design(path), read_target(target_path)
    notes = [
        f"the design's [{name}] differs from the target's: the design's own is used"
        for name, own, wanted in (
            ("driver", design.waveguide.driver, target.driver),
            ("mounting", design.waveguide.mounting, target.mounting),
            ("air", design.air, target.air),
        )
        if own != wanted
    ] + air_warnings(path, design.air)
    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        method = method_for(design.waveguide.mounting)
        solve_all = radiation.solver("full", method=method, cores=os.cpu_count() or 1)
        directivity = solve_all(design.waveguide, search_observation(target), design.air)
        places = limit_places(design.waveguide, target.limits)
        found = score(directivity, design.waveguide, target)
        said = verdict(directivity, found, target)
        steps = after_score(said, design.waveguide, path, target_path)
        return ScoredDesign(found, places, notes, TargetAnswer(said, steps))


def score_json(found: ScoredDesign) -> str:
    """A score as one JSON object."""
    return json.dumps(
        {
            "score_db": found.score.value,
            "feasible": found.score.feasible,
            "terms_db": dict(found.score.terms),
            "limits": dict(found.score.constraints),
            "places": {name: _place_keys(place) for name, place in found.places.items()},
            "notes": list(found.notes),
            "met": found.answer.verdict.met,
            "outside": {_key(each.name): _outside(each) for each in found.answer.verdict.readings},
            "not_counted_hz": found.answer.verdict.left_out.tolist(),
        },
        indent=2,
    )


def _key(name: str) -> str:
    """A reading's name as a key."""
    return name.replace(", ", "_")


def _outside(reading: Reading) -> list[dict[str, float]]:
    """Where a wanted curve's tolerance is left, and by how much."""
    at = np.flatnonzero(reading.outside)
    return [{"frequency_hz": float(reading.frequency[i]), "deviation_db": float(reading.deviation[i])} for i in at]


def place_words(place: Place) -> str:
    """Where on the wall, in words."""
    from evenflare.report.waveguide import drawing

    return drawing.place(place).lstrip(", ")


def _place_keys(place: Place) -> dict[str, float]:
    keys = {"z_mm": place.z / MILLIMETRE}
    return keys if place.azimuth is None else keys | {"azimuth_deg": place.azimuth / DEGREE}
