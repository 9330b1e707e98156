"""An inspected part as files, inspection.json and deviations.csv, and read back for a series of parts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.files import InputError, is_folder
from evenflare.inspection.form import Form
from evenflare.inspection.found import Estimate, Inspection
from evenflare.inspection.series import InspectedPart
from evenflare.inspection.verdict import FurthestOff, Gathered, Held, HeldZone, State
from evenflare.parsing import read_json
from evenflare.results import formats
from evenflare.results.comparison import plain_json
from evenflare.schema import shown
from evenflare.studies.part_sound import PartSound
from evenflare.text import from_path
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide.wall_zones import WallZone

FILE, TABLE = "inspection.json", "deviations.csv"
MOST_ROWS = 50_000
"""Of deviations.csv: beyond, every so manieth point is written."""
KINDS: Mapping[str, tuple[str, float]] = {
    "scale": ("", 1.0),
    "offset": ("_mm", MILLIMETRE),
    "bow": ("_mm", MILLIMETRE),
    "ovality": ("_mm", MILLIMETRE),
    "tilt": ("_deg", DEGREE),
    "throat_step": ("_mm", MILLIMETRE),
    "waviness": ("_mm", MILLIMETRE),
}
"""Of each kind of deviation the ending of its key, and SI of one such unit."""
MOST = 1e9
"""No number of an inspection is as large."""
REMEDY = "Write it again with evenflare inspect"


@dataclass(frozen=True)
class PartVerdict:
    """An inspected part held against everything that was asked.

    within    : whether it is good enough; None where no limit of the index was given.
    within_db : that limit, None as above.
    profile   : the part against a profile zone of one width all over, ISO 1660, None where no process was named,
    profile_width : m, of that zone.
    rms       : of the departure, m.
    unsolved  : by kind, dB: what was not part of the solved wall is said to cost, from db_per_mm.
    """

    inspection: Inspection
    cells: Gathered
    held: Held
    toleranced: bool
    worst: FurthestOff
    rms: Estimate
    sound: PartSound
    form: Form
    within_db: float | None = None
    profile: Held | None = None
    profile_width: float | None = None
    unsolved: Mapping[str, float] | None = None

    @property
    def within(self) -> bool | None:
        """Whether the index changes by no more than asked; None where nothing was."""
        if self.within_db is None:
            return None
        return bool(abs(self.sound.change[self.sound.worst]) <= self.within_db)


def kinds_of(inspection: Inspection) -> dict[str, Estimate]:
    """The kinds of deviation by name."""
    return {name: getattr(inspection, name) for name in KINDS}


def record(found: PartVerdict, *, name: str, scan: str, design_id: str, warnings: Sequence[str]) -> dict[str, Any]:
    """`inspection.json`: plain values; null where something could not be had."""
    inspection, sound, worst = found.inspection, found.sound, found.worst
    counts = found.cells.cell >= 0
    at = sound.worst
    kinds: dict[str, Any] = {}
    for kind, each in kinds_of(inspection).items():
        unit, factor = KINDS[kind]
        kinds[f"{kind}{unit}"] = each.value / factor
        kinds[f"{kind}_standard_error{unit}"] = each.standard_error / factor
    held = {
        "name": name,
        "design_id": design_id,
        "scan": scan,
        "within": found.within,
        "within_db": found.within_db,
        "index_rms_db": sound.rms,
        "index_worst_db": sound.change[at],
        "index_worst_standard_error_db": sound.error[at],
        "index_worst_at_hz": sound.frequency[at],
        "nominal_score_db": None if sound.score is None else sound.score.nominal,
        "part_score_db": None if sound.score is None else sound.score.part,
        "rms_mm": found.rms.value / MILLIMETRE,
        "rms_standard_error_mm": found.rms.standard_error / MILLIMETRE,
        "worst_mm": worst.off.value / MILLIMETRE,
        "worst_standard_error_mm": worst.off.standard_error / MILLIMETRE,
        "worst_z_mm": worst.z / MILLIMETRE,
        "worst_azimuth_deg": worst.azimuth / DEGREE,
        **kinds,
        "waviness_length_mm": inspection.waviness_length / MILLIMETRE,
        "alike_all_round": found.form.alike,
        "form_mean_mm": found.form.mean / MILLIMETRE,
        "form_rms_mm": math.sqrt(found.form.square) / MILLIMETRE,
        "profile_mm": 2.0 * abs(worst.off.value) / MILLIMETRE,
        "profile_standard_error_mm": 2.0 * worst.off.standard_error / MILLIMETRE,
        "profile_allowed_mm": None if found.profile_width is None else found.profile_width / MILLIMETRE,
        "profile_state": None if found.profile is None else found.profile.state,
        "zones_state": found.held.state if found.toleranced else None,
        "outside_share": found.held.outside if found.toleranced else None,
        "zones": [_zone(each, toleranced=found.toleranced) for each in found.held.zones],
        "registered_to": inspection.registered_to,
        "datum": inspection.datum or None,
        "rotation": inspection.rotation.tolist(),
        "shift_mm": (inspection.shift / MILLIMETRE).tolist(),
        "shift_standard_error_mm": (inspection.pose_error[:3] / MILLIMETRE).tolist(),
        "turn_standard_error_deg": (inspection.pose_error[3:] / DEGREE).tolist(),
        "points_used": int(counts.sum()),
        "points_left_out": int((~counts).sum()),
        "covered_share": found.cells.covered,
        "noise_mm": found.cells.noise / MILLIMETRE,
        "frequencies_hz": sound.frequency.tolist(),
        "index_nominal_db": sound.nominal.tolist(),
        "index_part_db": sound.part.tolist(),
        "warnings": list(warnings),
    }
    return {key: plain_json(value) for key, value in held.items()}


def _zone(each: HeldZone, *, toleranced: bool) -> dict[str, Any]:
    limits = {"minus_mm": each.zone.minus / MILLIMETRE, "plus_mm": each.zone.plus / MILLIMETRE}
    return {
        "from_z_mm": each.zone.from_z / MILLIMETRE,
        "to_z_mm": each.zone.to_z / MILLIMETRE,
        **(limits if toleranced else {"minus_mm": None, "plus_mm": None}),
        "points": each.points,
        "outside_share": each.outside if toleranced and each.points else None,
        "mean_mm": each.mean.value / MILLIMETRE,
        "mean_standard_error_mm": each.mean.standard_error / MILLIMETRE,
        "beyond_mm": each.excess / MILLIMETRE if toleranced else None,
        "worst_z_mm": each.z / MILLIMETRE,
        "worst_azimuth_deg": each.azimuth / DEGREE,
        "state": each.state if toleranced else None,
    }


def columns(inspection: Inspection) -> tuple[formats.Columns, int]:
    """`deviations.csv`: a row for each point, or for every so manieth, which comes beside."""
    n = inspection.off.size
    every = max(1, -(-n // MOST_ROWS))
    rows = slice(None, None, every)
    x, y, z = (inspection.points[rows] / MILLIMETRE).T
    return {
        "x_mm": x,
        "y_mm": y,
        "z_mm": z,
        "share": inspection.share[rows],
        "azimuth_deg": inspection.azimuth[rows] / DEGREE,
        "off_mm": inspection.off[rows] / MILLIMETRE,
        "used": inspection.used[rows].astype(float),
    }, every


def read_inspection(path: Path) -> dict[str, Any]:
    """inspection.json, named itself or by its folder. InputError if it is missing, broken or another file."""
    file = path / FILE if is_folder(path) else path
    found = read_json(file, remedy=REMEDY)
    needed = ("rms_mm", "scale", "offset_mm", "bow_mm", "zones", "design_id", "index_rms_db")
    lacking = [key for key in needed if not isinstance(found, dict) or key not in found]
    if lacking:
        raise InputError(f"{file}: lacks {', '.join(lacking)}. Name what evenflare inspect has written")
    return dict(found)


def read_part(path: Path) -> tuple[InspectedPart, tuple[WallZone, ...], str]:
    """A part that was inspected before, its zones without limits, and its design's id. InputError as above."""
    found, file = read_inspection(path), path / FILE if is_folder(path) else path
    zones = found["zones"] if isinstance(found["zones"], list) else []
    edges = [[_number(file, each, key) for key in ("from_z_mm", "to_z_mm")] for each in zones]
    kinds = {
        kind: Estimate(
            _number(file, found, f"{kind}{unit}") * factor,
            # Of the throat's step a file of before states none.
            _number(file, found, f"{kind}_standard_error{unit}", known=kind != "throat_step") * factor,
        )
        for kind, (unit, factor) in KINDS.items()
    }
    part = InspectedPart(
        name=from_path(str(found.get("name") or path.name)),
        kinds=kinds,
        zones=tuple(_number(file, each, "mean_mm", known=False) * MILLIMETRE for each in zones),
        form_mean=_number(file, found, "form_mean_mm") * MILLIMETRE,
        form_square=(_number(file, found, "form_rms_mm") * MILLIMETRE) ** 2,
        waviness_length=_number(file, found, "waviness_length_mm", known=False) * MILLIMETRE,
        alike=bool(found.get("alike_all_round")),
        index_worst=_number(file, found, "index_worst_db", known=False),
        within=found["within"] if isinstance(found.get("within"), bool) else None,
    )
    limits = tuple(WallZone(low * MILLIMETRE, high * MILLIMETRE, 0.0, 0.0) for low, high in edges)
    return part, limits, str(found["design_id"])


def _number(file: Path, found: Any, key: str, *, known: bool = True) -> float:
    """A finite number. known : False where null may stand for one that could not be had, which is nan then."""
    value = found.get(key) if isinstance(found, dict) else None
    if value is None and not known:
        return float("nan")
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < MOST:
        raise InputError(f"{file} {key} = {shown(value)}: must be a number. {REMEDY}")
    return float(value)


def part_of(found: PartVerdict, name: str) -> InspectedPart:
    """What a series needs of a part."""
    inspection, sound = found.inspection, found.sound
    return InspectedPart(
        name=name,
        kinds=kinds_of(inspection),
        zones=tuple(each.mean.value for each in found.held.zones),
        form_mean=found.form.mean,
        form_square=found.form.square,
        waviness_length=inspection.waviness_length,
        alike=found.form.alike,
        index_worst=float(sound.change[sound.worst]),
        within=found.within,
    )


def state_words(state: State) -> str:
    """A state in a word or two."""
    return {"inside": "inside", "outside": "OUTSIDE", "undecided": "not decided"}[state]


def index_columns(sound: PartSound) -> formats.Columns:
    """`index_change.csv`: a row for each frequency looked at."""
    wanted: FloatArray = np.full(sound.frequency.size, np.nan) if sound.score is None else sound.score.wanted
    return {
        "frequency_hz": sound.frequency,
        "index_nominal_db": sound.nominal,
        "index_part_db": sound.part,
        "change_db": sound.change,
        "standard_error_db": sound.error,
        "index_wanted_db": wanted,
        "valid": sound.valid.astype(float),
    }
