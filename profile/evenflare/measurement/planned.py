"""A session before and while its readings are taken: how the rig stands, and which readings there are to be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare.design.file import read_design
from evenflare.files import InputError, is_file
from evenflare.measurement.heard import SAME_ANGLE
from evenflare.measurement.names import named_as, signed
from evenflare.measurement.readings import Session
from evenflare.measurement.session import microphone_of, rig_of
from evenflare.measurement.session_tables import MINIMAL, FilesTable, PlanTable, SessionFile
from evenflare.measurement.wav import read_wav
from evenflare.metrics import PLANES
from evenflare.schema import checked, parsed
from evenflare.text import from_path
from evenflare.units import DEGREE

ReadingPlace = tuple[float, float, int]
"""Plane and off-axis angle, rad, and repeat."""


def key_of(place: ReadingPlace) -> tuple[int, int, int]:
    """The same of two places that are one."""
    azimuth, off_axis, repeat = place
    return round(azimuth / SAME_ANGLE), round(off_axis / SAME_ANGLE), repeat


@dataclass(frozen=True)
class PlannedSession:
    """A session of sounds without its readings.

    session     : how the rig stands; `readings` is empty.
    table       : which names the files have.
    sample_rate : Hz, of the reference; None where there is none.
    wanted      : the readings that are to be taken, in order, and the name of each; empty where nobody has planned.
    near        : the name of the reading close to the mouth, if there is one.
    """

    session: Session
    table: FilesTable
    sample_rate: float | None
    wanted: dict[ReadingPlace, Path]
    near: Path | None = None

    @property
    def folders(self) -> list[Path]:
        """Where the readings are to lie."""
        templates = [each for each in (self.table.horizontal, self.table.vertical) if each is not None]
        return list(dict.fromkeys((self.session.path.parent / each).parent for each in templates))


def read_planned(path: Path, *, before_reference: bool = False) -> PlannedSession:
    """What a session file says before its readings are there.

    before_reference : the sweep that was played may be missing too.
    Errors: InputError as `read_session`, and where the readings are no sounds.
    """
    file = checked(parsed(path, minimal=MINIMAL), SessionFile, path=path)
    folder, table = path.parent, file.files
    if table.kind not in ("impulse_response", "sweep"):
        raise InputError(
            f'{path} [files] kind = "{table.kind}": must be "impulse_response" or "sweep", sounds, to be checked as'
            " they are recorded. Measure when the session is complete"
        )
    assumed: list[str] = []
    design = None if file.design is None else read_design(folder / file.design)
    reference, rate = None, None
    if table.reference is not None and not (before_reference and not is_file(folder / table.reference)):
        reference, rate = read_wav(folder / table.reference)
    session = Session(
        name=file.name or from_path(path.stem),
        path=path,
        design=None if file.design is None else folder / file.design,
        rig=rig_of(file.rig, design, assumed),
        kind=table.kind,
        readings=(),
        symmetry=table.symmetry or "none",
        gate=file.gate.value(),
        microphone=microphone_of(folder, file.microphone.calibration, assumed),
        reference=reference,
        sweep_from=table.sweep_from_hz,
        sweep_to=table.sweep_to_hz,
        order=table.order,
    )
    near = None if file.near_field is None else folder / file.near_field.file
    return PlannedSession(session, table, rate, _wanted(path, table, file.plan), near)


def _wanted(path: Path, table: FilesTable, plan: PlanTable) -> dict[ReadingPlace, Path]:
    """By plane, angle and repeat; all repeats of a direction together unless they are to be runs of their own."""
    found: dict[ReadingPlace, Path] = {}
    for plane, angles in (("horizontal", plan.horizontal_deg), ("vertical", plan.vertical_deg)):
        template = getattr(table, plane)
        for written in angles or ():
            degrees = round(signed(written, where=f"{path} [plan] {plane}_deg"), 3)  # as names have them
            degrees = 180.0 if degrees == -180.0 else degrees
            for repeat in range(1, plan.repeats + 1):
                place = PLANES[plane], degrees * DEGREE, repeat
                found[place] = path.parent / named_as(template, degrees, repeat=repeat)
    if table.order == "runs":
        return dict(sorted(found.items(), key=lambda each: each[0][2]))
    return found
