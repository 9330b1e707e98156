"""What `plan` does: the plan of a measurement in words, as a page to print, and as a session file to fill in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare import files
from evenflare.files import InputError
from evenflare.measurement.plan import MeasurementPlan, MeasuringPlace, plan
from evenflare.units import CELSIUS_ZERO, DEGREE, PERCENT


@dataclass(frozen=True)
class Planned:
    """What was found, what to do and what to beware of, in words, and the files."""

    lines: list[str]
    steps: list[str]
    cautions: list[str]
    warnings: list[str]
    written: list[tuple[str, str]]


def plan_command(
    place: MeasuringPlace,
    folder: Path | None,
    *,
    wanted_from: float | None,
    wanted_to: float,
    wanted_index: float,
    command: str,
    swept: bool = False,
) -> Planned:
    """Plan a measurement; write it into `folder` if one is given, all or nothing.

    wanted_from, wanted_to : Hz, what is wanted of it.
    wanted_index           : dB, standard uncertainty of the index of an oblong mouth.
    swept                  : the session file is of sweeps, as `capture` records them.
    Errors: InputError if the place cannot be, or a session file stands in the folder already.
    """
    from evenflare.report.measurement import checklist

    try:
        found = plan(place)
    except ValueError as error:
        raise InputError(f"--distance-m: {error}") from None
    told = checklist.warnings(found, wanted_from=wanted_from, wanted_to=wanted_to)
    told += checklist.orbits_warnings(found, wanted_to=wanted_to, wanted_index=wanted_index)
    written = [] if folder is None else _write(found, folder, told, command, swept=swept)
    return Planned(checklist.findings(found), checklist.steps(found), list(checklist.CAUTIONS), told, written)


def _write(
    found: MeasurementPlan, folder: Path, told: list[str], command: str, *, swept: bool
) -> list[tuple[str, str]]:
    from evenflare.report.measurement import checklist
    from evenflare.results.plan import angles_text

    session = folder / "session.toml"
    if files.is_file(session):
        raise InputError(f"{session}: is there already, and may hold your notes. Name another folder, or move it away")
    written = [
        ("plan.html", "the plan to print: findings, cautions, steps and every reading to tick"),
        ("angles.csv", "every reading: plane, angle, file"),
        ("session.toml", "the session file for evenflare measure: put the recordings beside it, correct the weather"),
    ]
    with files.together():
        files.write_text(folder / "plan.html", checklist.page(found, written=written, command=command, told=told))
        files.write_text(folder / "angles.csv", angles_text(found))
        files.write_text(session, _session(found, swept=swept))
    return written


def _degrees(angle: float) -> float:
    return round(angle / DEGREE, 3) + 0.0


def _session(found: MeasurementPlan, *, swept: bool) -> str:
    from evenflare.results.plan import NAMES
    from evenflare.text import toml

    place = found.place
    ending = "_{repeat}" if place.repeats > 1 else ""
    rig = (
        ("distance_m", place.distance),
        ("source_height_m", place.source_height),
        ("microphone_height_m", place.microphone_height),
        ("wall_m", place.wall),
        ("temperature_c", round(place.temperature - CELSIUS_ZERO, 3)),
        ("humidity_percent", round(place.humidity / PERCENT, 3)),
        ("mounting", "baffle" if place.baffle else "free_standing", 'or "sphere"'),
        "rotation_centre_z_mm = 0       # from the throat plane; left out: the mouth plane",
    )
    recordings = (
        *(
            (("kind", "sweep"), ("reference", "sweep.wav", "as it was played; evenflare capture writes it"))
            if swept
            else (("kind", "impulse_response", 'or "sweep", with reference = "the sweep as it was played.wav"'),)
        ),
        *((plane, f"{NAMES[plane]}_{{off_axis_deg}}{ending}.wav") for plane in found.angles),
        ("symmetry", place.symmetry),
    )
    readings = (
        *((f"{plane}_deg", [_degrees(each) for each in angles]) for plane, angles in found.angles.items()),
        ("repeats", place.repeats),
    )
    return toml(
        "From the plan of a measurement. Correct what turned out otherwise, the weather above all.",
        ("name", "planned measurement"),
        'design = "design.toml"',
        ("rig", rig),
        ("files", recordings),
        ("plan", readings, "the readings to be taken, which evenflare measure --watch and evenflare capture go by"),
        "[microphone]",
        'calibration = "microphone.txt"',
    )
