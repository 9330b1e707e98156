"""What `calibrate` does: a design fitted to a measurement of its prototype, and the files that say how."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files, radiation
from evenflare.commands.written import Findings
from evenflare.design.file import Design, design_id, read_design
from evenflare.directivity.folder import Stored, read_directivity
from evenflare.files import InputError, short
from evenflare.waveguide import Waveguide

if TYPE_CHECKING:
    from evenflare.measurement.calibrated_file import Origin
    from evenflare.measurement.calibration import Calibration

PAGE, TABLE = "calibration.html", "calibration.csv"


@dataclass(frozen=True)
class CalibrationRequest:
    """How to calibrate.

    fit         : names of the unknowns to fit; empty for all that can be.
    hold_out    : every so manieth angle is kept from the fit.
    frequencies : at most so many.
    wall        : folder of the inspected part, whose wall counts instead of the drawn one and of growth and bow.
    """

    fit: Sequence[str] = ()
    hold_out: int = 3
    frequencies: int = 24
    method: radiation.Method | None = None
    setting: radiation.Setting = "full"
    wall: Path | None = None


@dataclass(frozen=True, kw_only=True)
class Calibrated(Findings):
    """Besides, whether the model explains what was measured."""

    helps: bool


def calibrate_command(
    design_path: Path,
    measured_path: Path,
    folder: Path,
    asked: CalibrationRequest,
    *,
    command: str,
    progress: Callable[[str], None],
) -> Calibrated:
    """Fit the design to the measurement and write everything into `folder`, all or nothing.

    Errors: InputError if a file, or what is asked for, is at fault.
    """
    from evenflare.air import Air
    from evenflare.measurement.calibrate import calibrate
    from evenflare.measurement.calibrated_file import Origin
    from evenflare.measurement.unknowns import BOW, GROWTH, left_out, unknowns_of

    design, stored = read_design(design_path), read_directivity(measured_path)
    waveguide, measured = design.waveguide, stored.directivity
    known: tuple[str, ...] = ()
    if asked.wall is not None:
        waveguide, known = inspected_wall(design, asked.wall, design_path), (GROWTH, BOW)
    method = asked.method or radiation.method_for(waveguide.mounting)
    possible = unknowns_of(waveguide, Air(measured.speed_of_sound, measured.density))
    for name in asked.fit:
        if name in known:
            raise InputError(f"--fit {name}: is known from --wall {asked.wall}. Leave one of them out")
        why = left_out(waveguide).get(name)
        if why is not None:
            raise InputError(f"--fit {name}: cannot be fitted: {why}. Leave it out")
    chosen = tuple(each for each in possible if (each.name in asked.fit or not asked.fit) and each.name not in known)
    try:
        found = calibrate(
            measured,
            waveguide,
            radiation.solver(asked.setting, method=method),
            unknowns=chosen,
            hold_out=asked.hold_out,
            frequencies=asked.frequencies,
            progress=progress,
        )
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{measured_path} with {design_path}: {error}") from error
    origin = Origin(
        design=str(design_path),
        design_id=design_id(design),
        name=design.name,
        measured=str(measured_path),
        measured_name=stored.name,
        method=method,
        setting=asked.setting,
        wall="" if asked.wall is None else str(asked.wall),
    )
    built = replace(design, waveguide=waveguide)
    return _write(found, built, origin, mismatches(design, stored), folder, command=command)


def inspected_wall(design: Design, folder: Path, design_path: Path) -> Waveguide:
    """The design with the wall of its part as `inspect` wrote it. InputError if that is another design's."""
    from evenflare.commands.inspecting import AS_BUILT
    from evenflare.results.inspection import FILE, read_inspection

    found = read_inspection(folder)
    if found["design_id"] != design_id(design):
        raise InputError(
            f"--wall {folder}: {FILE} is of the design {short(str(found['design_id']), 20)}, and {design_path} is"
            f" {design_id(design)}. Name the inspection of this design's part"
        )
    shape = read_design(folder / f"{AS_BUILT}.toml").waveguide.shape
    return replace(design.waveguide, shape=shape)


def mismatches(design: Design, stored: Stored) -> list[str]:
    """What makes a measurement another thing than the design predicts."""
    found = []
    kind, own = design.waveguide.mounting.kind, design_id(design)
    if stored.mounting and stored.mounting != kind:
        found.append(
            f'{stored.path} was measured with mounting "{stored.mounting}", and the design has "{kind}": what that'
            " changes goes into the fit. Measure it as it is designed, or change [mounting]"
        )
    elif stored.directivity.half_space != (kind == "baffle"):
        found.append(f"{stored.path} was measured {'in' if stored.directivity.half_space else 'without'} a baffle")
    if stored.design_id and stored.design_id != own:
        found.append(
            f"{stored.path} names the design {stored.design_id}, and this one is {own}. Name the design that was built"
        )
    return found


def _use(file: Path) -> str:
    return f'Use it in a design or target file with [driver] calibrated = "{file}", the path from its folder'


def _write(
    found: Calibration, design: Design, origin: Origin, doubts: list[str], folder: Path, *, command: str
) -> Calibrated:
    from evenflare.measurement.calibrated_file import FILE, calibrated_toml
    from evenflare.report.kit import canvas
    from evenflare.report.measurement import calibration
    from evenflare.results import formats
    from evenflare.results.calibration import columns

    drawn = calibration.pictures(found)
    warnings = [*calibration.caution_lines(found), *doubts]
    wall = f"The wall is the part's as it was inspected, {origin.wall}; growth and bow are not fitted"
    lines = [
        *([wall] if origin.wall else []),
        *(calibration.fitted_words(each) for each in found.fitted),
        *calibration.deviation_words(found),
        *([] if not (found.helps and found.explains) else [_use(folder / FILE)]),
    ]
    written = [
        (FILE, "the driver as calibrated, for design and target files; values, intervals, deviations"),
        (TABLE, "every level that was compared, before and after"),
        (PAGE, "all of it on one page"),
        *((name, "picture") for name in drawn),
    ]
    header = [
        f"calibration of: {design.name}; id {origin.design_id}; measured: {origin.measured}",
        "units: Hz, degrees, dB; levels re on axis; deviation: measured less predicted; held_out 1: not in the fit",
        *(f"caution: {each}" for each in warnings),
    ]
    with files.together():
        files.write_text(folder / FILE, calibrated_toml(found, origin, design.waveguide))
        files.write_text(folder / TABLE, formats.csv_text(columns(found), header=header))
        text = calibration.page(
            found,
            drawn,
            title=f"{design.name}, calibrated",
            what=f"Design {origin.design} (id {origin.design_id}) fitted to the measurement in {origin.measured}."
            + (f" {wall}." if origin.wall else ""),
            warnings=warnings,
            waveguide=design.waveguide,
            written=written,
            command=command,
        )
        files.write_text(folder / PAGE, text)
        for name, figure in drawn.items():
            canvas.save(figure, folder / name)
    return Calibrated(lines, written, warnings, helps=found.helps and found.explains)
