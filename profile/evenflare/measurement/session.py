"""A session file and every file that it names, read into one value."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.air import STANDARD_PRESSURE
from evenflare.design.file import Design, read_design
from evenflare.directivity.types import Directivity, Symmetry
from evenflare.files import InputError, names_in
from evenflare.measurement.names import Named, found, played_beside, printable, signed, so_far
from evenflare.measurement.near_field_file import read_near_field
from evenflare.measurement.readings import Impulse, Kind, Response, Rig, Session
from evenflare.measurement.session_tables import MINIMAL, FilesTable, RigTable, SessionFile
from evenflare.measurement.text_response import SUFFIXES, read_text_response
from evenflare.measurement.wav import read_wav
from evenflare.metrics import PLANES, SAME_ANGLE
from evenflare.schema import checked, counted, gathered, parsed, shown
from evenflare.text import from_path
from evenflare.units import (
    CELSIUS_ZERO,
    DEGREE,
    KILOPASCAL,
    MILLIMETRE,
    PERCENT,
    REFERENCE_PRESSURE,
    FloatArray,
)

USUAL_TEMPERATURE_C = 20.0
USUAL_HUMIDITY_PERCENT = 50.0
SAME_DISTANCE = 1e-3
"""Of the distance: within it the rig's and a file's are one."""
LONGEST_LIST = 5
"""Names that one line lists."""

Reading = Impulse | Response
Places = dict[Path, tuple[float, float, int]]
"""Files by plane and off-axis angle (rad) and repeat."""


def read_session(path: Path | str) -> Session:
    """The measurement that a session file describes; its paths count from its folder.

    Errors: InputError that lists every fault of the session file, or else of the files that it names.
    """
    path = Path(path)
    file = checked(parsed(path, minimal=MINIMAL), SessionFile, path=path)
    folder, table = path.parent, file.files
    assumed: list[str] = []
    design = None if file.design is None else read_design(folder / file.design)
    rig = rig_of(file.rig, design, assumed)
    microphone = microphone_of(folder, file.microphone.calibration, assumed)
    reference: FloatArray | None = None
    readings: Sequence[Reading]
    kind: Kind
    if table.kind == "sofa":
        kind = "response"
        readings, symmetry, rig = _from_sofa(path, table, rig, assumed)
    else:
        kind = table.kind
        places = _places(path, table, assumed, None if file.near_field is None else file.near_field.file)
        symmetry = _symmetry(path, table.symmetry, places, assumed)
        if kind == "response":
            readings = _responses(places, table, assumed)
            rig = replace(rig, lossy=_lossy(table, assumed))
        else:
            readings, reference = _sounds(folder, places, table)
            if file.microphone.full_scale_pa is None:
                assumed.append("full scale of the recordings is 1 Pa: levels are relative, not absolute")
    return Session(
        name=file.name or from_path(path.stem),
        path=path,
        design=None if file.design is None else folder / file.design,
        rig=rig,
        kind=kind,
        readings=tuple(sorted(readings, key=lambda each: (each.azimuth, each.off_axis, each.repeat))),  # type: ignore[arg-type]
        symmetry=symmetry,
        gate=file.gate.value(),
        microphone=microphone,
        reference=reference,
        sweep_from=table.sweep_from_hz,
        sweep_to=table.sweep_to_hz,
        full_scale=file.microphone.full_scale_pa or 1.0,
        absolute=file.microphone.full_scale_pa is not None or table.zero_db_pa is not None,
        frequency=file.analysis.frequency,
        smoothing=file.analysis.smoothing_per_octave,
        reach=None if design is None else 0.5 * max(design.waveguide.mouth_width, design.waveguide.mouth_height),
        assumed=tuple(assumed),
        doubts=file.uncertainty.value(),
        order=table.order,
        near=None
        if file.near_field is None
        else read_near_field(path, file.near_field, readings, channel=table.channel),
    )


def rig_of(table: RigTable, design: Design | None, assumed: list[str]) -> Rig:
    """How source and microphone stood; what was taken for granted is added to `assumed`."""
    temperature, humidity, pressure = table.temperature_c, table.humidity_percent, table.pressure_kpa
    if temperature is None:
        temperature = USUAL_TEMPERATURE_C
        assumed.append(f"temperature {temperature:g} Celsius: a degree is 0.6 m/s of the speed of sound")
    if humidity is None:
        humidity = USUAL_HUMIDITY_PERCENT
        assumed.append(f"humidity {humidity:g} %")
    if pressure is None:
        pressure = STANDARD_PRESSURE / KILOPASCAL
        assumed.append(f"pressure of the air {pressure:g} kPa")
    mounting = table.mounting
    if mounting is None:
        mounting = "free_standing" if design is None else design.waveguide.mounting.kind
        whose = "nothing is said of it" if design is None else "the design's"
        assumed.append(f"mounting {mounting}: {whose}")
    centre = None if table.rotation_centre_z_mm is None else table.rotation_centre_z_mm * MILLIMETRE
    if centre is None:
        centre = None if design is None else design.waveguide.depth
        at = "" if centre is None else f", z = {centre / MILLIMETRE:g} mm of the design"
        assumed.append(f"the turntable's axis crosses the waveguide's in the mouth plane{at}")
    return Rig(
        distance=table.distance_m,
        temperature=temperature + CELSIUS_ZERO,
        humidity=humidity * PERCENT,
        mounting=mounting,
        source_height=table.source_height_m,
        microphone_height=table.microphone_height_m,
        wall=table.wall_m,
        pressure=pressure * KILOPASCAL,
        rotation_centre_z=centre,
    )


def _lossy(table: FilesTable, assumed: list[str]) -> bool:
    """Whether responses that another program has worked on still have the losses of the air in them."""
    if table.air_losses is None:
        assumed.append('air_losses "in": the files hold what the air absorbs on the way, and that is compensated')
    return table.air_losses != "out"


def microphone_of(folder: Path, name: str | None, assumed: list[str]) -> Response | None:
    """The microphone's own response by its calibration, whose path counts from `folder`; None for a flat one."""
    if name is None:
        assumed.append("no calibration: the microphone is taken for flat")
        return None
    text = read_text_response(folder / name)
    assumed.extend(text.remarks)
    if text.phase is None:
        assumed.append("the microphone's phase is taken for 0: its calibration has none")
    return Response(0.0, 0.0, 1, text.frequency, text.ratio, text.phase is not None, folder / name)


def _places(path: Path, table: FilesTable, assumed: list[str], near: str | None) -> Places:
    """Every file of readings, and where the microphone stood."""
    named = {
        plane: partial(found, path.parent, template, where=f"{path} [files] {plane}")
        for plane, template in (("horizontal", table.horizontal), ("vertical", table.vertical))
        if template is not None
    }
    places = _placed(path, dict(zip(named, gathered(*named.values()), strict=True)), assumed)
    if all(abs(off_axis) > SAME_ANGLE for _, off_axis, _ in places.values()):
        raise InputError(f"{path} [files]: no reading on axis (0 degrees) among {counted(len(places), 'file')}. Add it")
    assumed.extend(_left_over(path.parent, table, places, near))
    return places


def places_so_far(path: Path, table: FilesTable) -> Places:
    """The files of readings that are there before a measurement is complete, by where the microphone stood.

    Errors: InputError if two files are of one direction, or a template is at fault.
    """
    templates = {"horizontal": table.horizontal, "vertical": table.vertical}
    named = {
        plane: so_far(path.parent, template, where=f"{path} [files] {plane}")
        for plane, template in templates.items()
        if template is not None
    }
    return _placed(path, named, [])


def _placed(path: Path, orbits: Mapping[str, Sequence[Named]], assumed: list[str]) -> Places:
    """Files of the planes by plane, angle and repeat. InputError where two are of one direction."""
    places: Places = {}
    for plane, files in orbits.items():
        start = f"{path} [files] {plane}"
        for file, degrees, repeat in _turned(files, start, assumed):
            if file in places:
                raise InputError(f"{start}: {file.name} stands for the horizontal plane too. Correct one of the names")
            places[file] = PLANES[plane], degrees * DEGREE, repeat
    return places


def _turned(files: Sequence[Named], start: str, assumed: list[str]) -> Iterable[tuple[Path, float, int]]:
    """Files, degrees from above -180 to 180, repeats."""
    by_direction: dict[tuple[float, int], Named] = {}
    behind = max((each.repeat for each in files if each.degrees == 180.0), default=0)
    for each in files:
        degrees, repeat = signed(each.degrees, where=f"{start}: {each.file.name}"), each.repeat
        if degrees == -180.0:
            degrees, repeat = 180.0, repeat + behind
        other = by_direction.setdefault((degrees, repeat), each)
        if other is not each:
            raise InputError(f"{start}: {other.file.name} and {each.file.name} are of one direction. Remove one")
        yield each.file, degrees, repeat
    plane = start.rsplit(maxsplit=1)[-1]
    if any(each.degrees > 180.0 for each in files):
        assumed.append(f"{plane}: angles above 180 degrees are the negative side, 350 is -10")
    if behind and any(each.degrees == -180.0 for each in files):
        assumed.append(f"{plane}: -180 degrees is another reading of 180 degrees")


def _left_over(folder: Path, table: FilesTable, places: Places, near: str | None) -> list[str]:
    """Files beside those read, of the same kind, that no name stands for: they may have been forgotten."""
    usual = {".wav"} if table.kind != "response" else set(SUFFIXES)
    inside = {file.parent for file in places}
    named = {folder / name for name in (table.reference, near) if name}
    if table.reference:
        named.add(played_beside(folder / table.reference))
    other = sorted(
        printable(file.name)
        for place in inside
        for file in (place / name for name in names_in(place))
        if file not in places and file not in named and file.suffix.lower() in usual
    )
    if not other:
        return []
    more = f" and {len(other) - LONGEST_LIST} more" if len(other) > LONGEST_LIST else ""
    return [f"not read, no name stands for them: {', '.join(other[:LONGEST_LIST])}{more}"]


def _symmetry(path: Path, stated: Symmetry | None, places: Places, assumed: list[str]) -> Symmetry:
    """What a side or plane that is missing is taken to be. InputError where that must be stated, or cannot be."""
    start = f"{path} [files] symmetry"
    one_sided = [plane for plane, azimuth in PLANES.items() if len(_sides(places, azimuth)) == 1]
    missing = [plane for plane, azimuth in PLANES.items() if azimuth not in {place[0] for place in places.values()}]
    if stated is None:
        if one_sided or missing:
            what = f"one side of the {one_sided[0]} plane" if one_sided else f"the {missing[0]} plane"
            raise InputError(
                f'{start}: missing, and {what} was not measured. Say what stands for it: symmetry = "round",'
                ' "two_planes", "left_right" or "none"'
            )
        assumed.append('symmetry "none": both planes were measured on both sides')
        return "none"
    if (stated == "none" and one_sided) or (stated == "left_right" and "vertical" in one_sided):
        plane = one_sided[-1]
        allowed = '"round", "two_planes" or "left_right"' if plane == "horizontal" else '"round" or "two_planes"'
        raise InputError(
            f"{start} = {shown(stated)}: must be {allowed}, since one side of the {plane} plane only was measured."
            " Write one of them, or measure the other side"
        )
    return stated


def _sides(places: Places, azimuth: float) -> set[bool]:
    """Which sides of the axis were measured in a plane: True for the positive one."""
    at = [off_axis for plane, off_axis, _ in places.values() if plane == azimuth]
    return {angle > 0.0 for angle in at if SAME_ANGLE < abs(angle) < np.pi - SAME_ANGLE}


def _responses(places: Places, table: FilesTable, assumed: list[str]) -> list[Response]:
    reference = table.zero_db_pa or REFERENCE_PRESSURE
    if table.zero_db_pa is None:
        assumed.append("0 dB of the text files is 20 uPa")
    texts = _first_faults(*(partial(read_text_response, file, of_source=table.zero_db_pa is None) for file in places))
    made = []
    for (file, place), text in zip(places.items(), texts, strict=True):
        assumed.extend(text.remarks)
        known = text.phase is not None
        made.append(Response(*place, text.frequency, reference * text.ratio, known, file))
    silent = [each for each in made if not each.phase_known]
    if 0 < len(silent) < len(made):
        raise InputError(
            f"{silent[0].file}: holds no phase, and {len(made) - len(silent)} other files of the session do: must be"
            " alike. Export it with its phase, or all without"
        )
    if silent:
        assumed.append("no phase in the text files: levels only")
    else:
        assumed.append("the phase of the text files has the travel time from source to microphone in it")
    return made


def _first_faults(*reads: Callable[[], Any]) -> list[Any]:
    """What each gives. InputError with the first faults in full: a rig's files are mostly at fault all alike."""
    try:
        return gathered(*reads)
    except InputError as error:
        lines = str(error).splitlines()
        if len(lines) <= LONGEST_LIST:
            raise
        more = f"{counted(len(lines) - LONGEST_LIST, 'file')} more: correct these first"
        raise InputError("\n".join([*lines[:LONGEST_LIST], more])) from None


def _sounds(folder: Path, places: Places, table: FilesTable) -> tuple[list[Impulse], FloatArray | None]:
    """Recordings, and the sweep that was played."""
    played = [] if table.reference is None else [partial(read_wav, folder / table.reference)]
    read = _first_faults(*played, *(partial(read_wav, file, channel=table.channel) for file in places))
    made = [
        Impulse(*place, samples, rate, file)
        for (file, place), (samples, rate) in zip(places.items(), read[len(played) :], strict=True)
    ]
    rates: dict[float, list[Path]] = {}
    for file, (_, rate) in zip([*([folder / str(table.reference)] if played else []), *places], read, strict=True):
        rates.setdefault(rate, []).append(file)
    if len(rates) > 1:
        few, many = sorted(rates, key=lambda rate: len(rates[rate]))[:: len(rates) - 1]
        raise InputError(
            f"{rates[few][0]}: {few:g} samples a second, {rates[many][0].name} {many:g}: must be alike. Export all at"
            " one sample rate"
        )
    return made, read[0][0] if played else None


def _from_sofa(path: Path, table: FilesTable, rig: Rig, assumed: list[str]) -> tuple[list[Response], Symmetry, Rig]:
    """The directions of an AES69 file as responses, and the rig, which knows whether air absorption is in them."""
    from evenflare.directivity.sofa import read_sofa

    file = path.parent / str(table.sofa)
    read = read_sofa(file)
    observation = read.directivity.observation
    assumed.extend(f"{file.name}: {each}" for each in read.assumed)
    if observation.far_field:
        raise InputError(f"{file}: is of the far field: must be of one distance. A prediction needs no session")
    if abs(observation.distance - rig.distance) > SAME_DISTANCE * rig.distance:
        raise InputError(
            f"{path} [rig] distance_m = {rig.distance:g}: must be the file's, {observation.distance:g}. Correct one"
        )
    planes = [p for p, azimuth in enumerate(observation.plane) if min(abs(azimuth - a) for a in PLANES.values()) < 1e-9]
    if len(planes) < observation.plane.size:
        left = observation.plane.size - len(planes)
        assumed.append(f"{counted(left, 'plane')} of {file.name} left out: neither horizontal nor vertical")
    if table.symmetry is None:
        assumed.append(f'symmetry "{observation.symmetry}": as {file.name} has it')
    lost = int(np.count_nonzero(~read.directivity.valid))
    if lost == observation.frequency.size:
        raise InputError(f"{file}: holds no frequency that can be trusted. Measure it again")
    if lost:
        assumed.append(f"{lost} frequencies of {file.name} left out: it says itself that they are not valid")
    if not read.assumed and table.air_losses is None:  # ours: nothing had to be assumed to read it
        assumed.append(f'air_losses "out": evenflare wrote {file.name}, without the losses of the air')
        lossy = False
    else:
        lossy = _lossy(table, assumed)
    made = _directions(read.directivity, planes, file)
    return made, table.symmetry or observation.symmetry, replace(rig, lossy=lossy)


def _directions(directivity: Directivity, planes: Sequence[int], file: Path) -> list[Response]:
    """A response for each direction of the planes, at its valid frequencies; what is behind a baffle is none."""
    observation, valid = directivity.observation, directivity.valid
    response = Response(0.0, 0.0, 1, observation.frequency[valid], directivity.on_axis[valid], True, file)
    return [
        replace(
            response,
            azimuth=float(observation.plane[p]),
            off_axis=float(observation.off_axis[a]),
            pressure=directivity.pressure[valid, p, a],
        )
        for p in planes
        for a in np.flatnonzero(~directivity.behind)
    ]
